"""Opens everything for one machine: the process that holds the box, and the web server."""

from __future__ import annotations

import asyncio
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import uvicorn

from steelyard.calibration.calibration_file import load_any_calibration
from steelyard.guidance.machine_scales import MachineScales
from steelyard.publish.broker_process import BrokerPlan, BrokerProcess
from steelyard.screen.access.gate import Doors
from steelyard.screen.access.roles import Role
from steelyard.screen.access.sessions import SessionRegister
from steelyard.screen.desk import Desk
from steelyard.screen.live.feed import Feed
from steelyard.screen.live.points import PointMaker
from steelyard.screen.live.recording_control import RecordingControl
from steelyard.screen.server import Screens, serve, web_server
from steelyard.screen.visit.coach import Coach
from steelyard.screen.visit.reviewing import Reviewing
from steelyard.screen.visit.visit_desk import VisitDesk
from steelyard.screen.visit.wire_feed import WireFeed
from steelyard.store import open_records
from steelyard.strength.machine_profile import MachineProfile

LOOPBACK: Final = "127.0.0.1"
EVERYWHERE: Final = "0.0.0.0"


@dataclass(frozen=True)
class Source:
    """Where the stream comes from.

    Of a virtual client: its ``manner``, and the ``script`` from which it takes orders.
    """

    port: str
    calibrations: tuple[Path, ...] = ()
    manner: str = ""
    script: Path | None = None


@dataclass(frozen=True)
class Opening:
    """What to open and for whom; ``number`` 0: any free port.

    ``encrypted``: browsers come by HTTPS, through a proxy of the practice.
    """

    profile: MachineProfile
    source: Source
    folder: Path
    number: int
    lan: bool = False
    names: tuple[str, ...] = ()
    trust_this_computer: bool = True
    encrypted: bool = False
    browser: bool = False


async def open_screens(opening: Opening, say: Callable[[str], None]) -> None:
    """Serve until told to stop (Ctrl-C, or a polite kill).  ``say`` gets lines for people.

    Raises:
        PublishError: the box cannot be reached; says why.
        ServingError: the address cannot be served.
    """
    source, recordings = opening.source, opening.folder / "recordings"
    plan = BrokerPlan(
        source.port,
        recordings,
        source.calibrations,
        machine=opening.profile.name,
        seat=opening.folder / "recorder-seat.json",
    )
    opening.folder.mkdir(parents=True, exist_ok=True)
    async with BrokerProcess(plan) as broker:
        control = RecordingControl(broker, recordings)
        doors = Doors(opening.lan, opening.names, opening.trust_this_computer)
        desk = _desk(opening, control)
        sessions = SessionRegister(opening.folder / "paired-screens.json")
        wire = WireFeed(desk.visits, lambda: control.socket_address)
        screens = Screens(desk, wire, doors, sessions, encrypted=opening.encrypted)
        server = web_server(screens, EVERYWHERE if opening.lan else LOOPBACK, opening.number)
        announcing = asyncio.ensure_future(_announce(server, screens, opening.browser, say))
        try:
            await serve(server)
        finally:
            announcing.cancel()
            with suppress(asyncio.CancelledError):
                await announcing


def _desk(opening: Opening, control: RecordingControl) -> Desk:
    profile, source = opening.profile, opening.source
    calibrations = {
        one.binding.channel: one
        for path in source.calibrations
        for one in [load_any_calibration(path)]
    }

    visits = VisitDesk(
        lambda: MachineScales.of(profile, calibrations, datetime.now(UTC).isoformat()),
        opening.folder,
        control.remark,
    )
    coach = Coach(source.script, source.manner) if source.script else None
    if coach is not None:
        visits.on_view.append(coach.follow)
    visits.take_up()
    if coach is not None and visits.view is not None:
        coach.take_up(visits.view)
    feed = Feed(PointMaker(profile), lambda: control.lines_address)
    place = opening.folder / "records"
    return Desk(
        profile,
        feed,
        visits,
        opening.folder,
        lambda operator: open_records(place, operator=operator),
        control,
        Reviewing(control.folder),
        coach,
    )


async def _announce(
    server: uvicorn.Server, screens: Screens, browser: bool, say: Callable[[str], None]
) -> None:
    """Say where the pages are as soon as they are there."""
    while not server.started:
        await asyncio.sleep(0.05)
    number = server.servers[0].sockets[0].getsockname()[1]
    address = f"http://{LOOPBACK}:{number}"
    say(f"operator: {address}/")
    say(f"display:  {address}/display")
    if not screens.doors.trusts_loopback:
        code = screens.pairing.open(Role.OPERATOR)
        say(f"pairing code for one operator, good for ten minutes: {code.text}")
    if browser:
        await asyncio.to_thread(webbrowser.open, address)
