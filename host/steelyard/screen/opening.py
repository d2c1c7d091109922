"""Opens everything for one machine: the process that holds the box, and the web server."""

from __future__ import annotations

import asyncio
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import uvicorn

from steelyard.guidance.machine_scales import MachineScales
from steelyard.publish.broker_process import BrokerPlan, BrokerProcess
from steelyard.screen.access.gate import Doors
from steelyard.screen.access.roles import Role
from steelyard.screen.access.sessions import SessionRegister
from steelyard.screen.desk import Desk
from steelyard.screen.hanging.in_force import InForce, now_text
from steelyard.screen.hanging.weight_desk import WeightDesk
from steelyard.screen.live.feed import Feed
from steelyard.screen.live.points import PointMaker
from steelyard.screen.live.recording_control import RecordingControl
from steelyard.screen.server import Screens, serve, web_server
from steelyard.screen.visit.coach import Coach
from steelyard.screen.visit.reviewing import Reviewing
from steelyard.screen.visit.visit_desk import VisitDesk
from steelyard.screen.visit.wire_feed import Takers, WireFeed
from steelyard.store import open_records
from steelyard.strength.machine_profile import MachineProfile

LOOPBACK: Final = "127.0.0.1"
EVERYWHERE: Final = "0.0.0.0"


@dataclass(frozen=True)
class Source:
    """Where the stream comes from.

    Of a virtual client: its ``manner``, and the ``script`` from which it takes orders.
    ``register``: the folder where calibrations and their history are; None: one of the screens'.
    """

    port: str
    calibrations: tuple[Path, ...] = ()
    manner: str = ""
    script: Path | None = None
    register: Path | None = None


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
    opening.folder.mkdir(parents=True, exist_ok=True)
    in_force = _in_force(opening, say)
    plan = BrokerPlan(
        source.port,
        recordings,
        (in_force.folder,),
        machine=opening.profile.name,
        seat=opening.folder / "recorder-seat.json",
    )
    async with BrokerProcess(plan) as broker:
        control = RecordingControl(broker, recordings)
        doors = Doors(opening.lan, opening.names, opening.trust_this_computer)
        desk = _desk(opening, control, in_force)
        sessions = SessionRegister(opening.folder / "paired-screens.json")
        wire = WireFeed(Takers(desk.visits, desk.weights), lambda: control.socket_address)
        screens = Screens(desk, wire, doors, sessions, encrypted=opening.encrypted)
        server = web_server(screens, EVERYWHERE if opening.lan else LOOPBACK, opening.number)
        announcing = asyncio.ensure_future(_announce(server, screens, opening.browser, say))
        try:
            await serve(server)
        finally:
            announcing.cancel()
            with suppress(asyncio.CancelledError):
                await announcing


def _in_force(opening: Opening, say: Callable[[str], None]) -> InForce:
    """The practice's calibrations, those given taken in where a channel had none."""
    source = opening.source
    folders = [path for path in source.calibrations if path.is_dir()]
    folder = source.register or next(iter(folders), opening.folder / "calibrations")
    in_force = InForce(folder, lambda: "")
    for line in in_force.adopt(path for path in source.calibrations if not path.is_dir()):
        say(line)
    return in_force


def _desk(opening: Opening, control: RecordingControl, in_force: InForce) -> Desk:
    profile, source = opening.profile, opening.source
    feed = Feed(PointMaker(profile), lambda: control.lines_address)
    in_force.box_id = lambda: str(feed.state.metadata.get("box", {}).get("box_id", ""))
    visits = VisitDesk(
        lambda: MachineScales.of(profile, in_force.by_channel(), now_text()),
        opening.folder,
        control.remark,
    )
    coach = Coach(source.script, source.manner) if source.script else None
    if coach is not None:
        visits.on_view.append(coach.follow)
    visits.take_up()
    if coach is not None and visits.view is not None:
        coach.take_up(visits.view)
    place = opening.folder / "records"
    weights = WeightDesk(
        in_force,
        opening.folder,
        profile.channels.load,
        lambda: feed.state.metadata,
        control.use_calibrations,
        lambda: desk.why_no_weights,
        coach,
    )
    weights.take_up()
    desk = Desk(
        profile,
        feed,
        visits,
        opening.folder,
        lambda operator: open_records(place, operator=operator),
        control,
        Reviewing(control.folder),
        weights,
        coach,
    )
    return desk


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
