"""Two operators, twenty displays, a tablet that sleeps, a server that is killed: all come back,
and the recording that went on meanwhile is whole."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page
from screen.pictures import take
from screen.practice import Operator
from screen.rig import Server, Visitor, a_folder, served, wait_live
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

pytestmark = [pytest.mark.xdist_group("screen"), pytest.mark.long]

DISPLAYS = 20
LIVE = "document.querySelector('.live-badge')?.textContent === 'LIVE'"


@pytest.fixture
def own_server(calibrated: Path, tmp_path: Path) -> Iterator[Server]:
    """One that a test may kill."""
    with served(a_folder(calibrated, tmp_path), "--rehearse", "steady") as running:
        yield running


class Watcher(threading.Thread):
    """A display of the plainest kind: says that it has seen each beat, and comes back by itself."""

    def __init__(self, server: Server) -> None:
        super().__init__(daemon=True)
        self.server = server
        self.newest_us = 0
        self.openings = 0
        self.over = threading.Event()

    def run(self) -> None:
        while not self.over.is_set():
            try:
                self._watch()
            except (OSError, ConnectionClosed, TimeoutError, EOFError):
                self.over.wait(0.5)

    def _watch(self) -> None:
        address = self.server.address
        with connect(f"ws{address[4:]}/live/display", origin=address, open_timeout=20) as link:  # type: ignore[arg-type]
            self.openings += 1
            while not self.over.is_set():
                beat: dict[str, Any] = json.loads(link.recv(timeout=5))
                if beat.get("points"):
                    self.newest_us = beat["points"][-1][0]
                if "number" in beat:
                    link.send(json.dumps({"seen": beat["number"]}))


def fresh(watchers: list[Watcher], within_seconds: float = 60.0) -> bool:
    """Whether every one of them gets samples of now."""
    since_us = time.time_ns() // 1000
    end = time.monotonic() + within_seconds
    while time.monotonic() < end:
        if all(one.newest_us > since_us for one in watchers):
            return True
        time.sleep(0.1)
    return False


def begin_visit(server: Server, visitor: Visitor) -> tuple[Operator, str]:
    operator = Operator(visitor.open(server.address), server.address)
    operator.sign_on("AB")
    code = operator.take_a_new_client()
    operator.begin()
    return operator, code


def recording_of(server: Server) -> Path:
    (path,) = (server.folder / "recordings").glob("*.steelyard")
    return path


def validate(path: Path) -> None:
    """As a person does it, from the command line."""
    told = subprocess.run(
        [sys.executable, "-m", "steelyard.cli", "validate", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert told.returncode == 0, told.stdout + told.stderr


def test_all_come_back_after_the_server_was_killed_and_the_recording_is_whole(
    own_server: Server, visitor: Visitor
) -> None:
    operator, code = begin_visit(own_server, visitor)
    second = visitor.open(f"{own_server.address}/visit")
    second.wait_for_function(LIVE, timeout=60_000)
    watchers = [Watcher(own_server) for _ in range(DISPLAYS)]
    for one in watchers:
        one.start()
    try:
        assert fresh(watchers)
        path = recording_of(own_server)
        before_bytes = path.stat().st_size
        own_server.crash()
        time.sleep(3.0)
        while_dead_bytes = path.stat().st_size
        assert while_dead_bytes > before_bytes  # nobody serves, and it records
        own_server.start()
        assert fresh(watchers)
        assert all(one.openings >= 2 for one in watchers)
        for page in (operator.page, second):
            page.wait_for_function(LIVE, timeout=60_000)
            page.get_by_role("heading", name=f"Visit of {code}").wait_for(timeout=60_000)
        operator.press("End the visit")
        operator.page.wait_for_url("**/review/*", timeout=60_000)
    finally:
        for one in watchers:
            one.over.set()
        for one in watchers:
            one.join(10)
    assert path == recording_of(own_server)
    validate(path)


def test_a_calibration_is_gone_on_with_after_the_server_was_killed(
    own_server: Server, visitor: Visitor
) -> None:
    operator = Operator(visitor.open(own_server.address), own_server.address)
    operator.sign_on("AB")
    operator.go("/calibrate")
    page = operator.page
    page.get_by_label("Loads, kg").fill("20,20+20,20+20+20")
    page.get_by_label("Runs").fill("1")
    page.get_by_label("Greatest load put on before").fill("0")
    operator.press("Begin the calibration", operator.shows("Step 1 of 7"))
    operator.press("It hangs: read it", operator.shows("Step 2 of 7"))
    own_server.crash()
    own_server.start()
    operator.sign_on("CD")
    operator.go("/calibrate")
    assert page.get_by_label("Loads, kg").input_value() == "20,20+20,20+20+20"
    page.get_by_text("No run of 1 was read whole: the first is done again.").wait_for()
    take(page, "calibration-broke-off")
    operator.press("Go on with it", operator.shows("Step 1 of 7"))
    operator.press("It hangs: read it", operator.shows("Step 2 of 7"))
    operator.press("Give up", operator.button("Begin the calibration").count)
    assert not operator.button("Go on with it").count()


def test_a_tablet_that_slept_shows_the_present_again(server: Server, visitor: Visitor) -> None:
    page = visitor.open(f"{server.address}/display")
    wait_live(page)
    sleep(page, 4.0)
    wait_live(page)
    page.evaluate("steelyardFigures.forget()")
    page.wait_for_timeout(2000)
    found = page.evaluate("steelyardFigures.summary()")
    assert found["samples"] > 80
    assert found["worstMs"] < 2000  # the present, and not what piled up in the meantime


def sleep(page: Page, seconds: float) -> None:
    """The network is gone for a while, as when a tablet's cover is closed."""
    context = page.context
    session = context.new_cdp_session(page)
    session.send("Page.setWebLifecycleState", {"state": "frozen"})
    context.set_offline(True)
    time.sleep(seconds)
    session.send("Page.setWebLifecycleState", {"state": "active"})
    context.set_offline(False)
    session.detach()
