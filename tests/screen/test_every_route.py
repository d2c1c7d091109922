"""Every address that the application knows, listed by itself, asked over the wire by each role.

A page, file or socket that somebody adds is among them without anybody's remembering it.
"""

from __future__ import annotations

import re
import subprocess
import sys

import pytest
from playwright.sync_api import Browser
from screen.rig import Server
from screen.test_gate import ask, draw_display_code, open_socket, pair
from websockets.exceptions import InvalidStatus

pytestmark = pytest.mark.xdist_group("screen")

FOR_ANYBODY = frozenset({"/pair", "/pair/pair.css"})
FOR_DISPLAYS = frozenset({"/display", "/display/x", "/live/display"})
"""What a display may reach; everything else is the operator's.  Written down here on purpose."""

LISTING = """
import sys
from pathlib import Path
from steelyard.publish.broker_process import BrokerPlan, BrokerProcess
from steelyard.screen.live.recording_control import RecordingControl
from steelyard.screen.hanging.in_force import InForce
from steelyard.screen.opening import Opening, Source, _desk
from steelyard.screen.server import Screens
from steelyard.screen.visit.wire_feed import WireFeed
from steelyard.strength.profile_file import load_profile

def walk(routes, before=""):
    for route in routes:
        path = before + getattr(route, "path", "")
        inner = list(getattr(route, "routes", None) or [])
        kind = "socket" if type(route).__name__ == "WebSocketRoute" else "folder"
        yield path, ",".join(sorted(getattr(route, "methods", None) or [kind]))
        yield from walk(inner, path)

folder = Path(sys.argv[1])
control = RecordingControl(BrokerProcess(BrokerPlan("sim:heron", folder)), folder)
opening = Opening(load_profile("heron"), Source("sim:heron"), folder, 0)
desk = _desk(opening, control, InForce(folder, str))
gate = Screens(desk, WireFeed(desk.visits, lambda: None)).application()
for path, methods in walk(gate._app.router.routes):
    print(path or "/", methods)
"""


@pytest.fixture(scope="module")
def routes(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[str, str]]:
    """(address, methods); what stands in braces is filled in, folders get a file's name."""
    folder = tmp_path_factory.mktemp("listing")
    told = subprocess.run(
        [sys.executable, "-c", LISTING, str(folder)], capture_output=True, text=True, check=True
    )
    found = []
    for line in told.stdout.splitlines():
        path, methods = line.rsplit(" ", 1)
        filled = re.sub(r"\{[^}]*\}", "x", path)
        if methods == "folder":
            filled = filled.rstrip("/") + "/x"
        found.append((filled, methods))
    return found


@pytest.fixture(scope="module")
def display_cookie(guarded: Server, browser: Browser) -> str:
    operator = pair(guarded, guarded.code)
    return pair(guarded, draw_display_code(guarded, operator, browser))


def asked(server: Server, path: str, methods: str, cookie: str) -> list[int]:
    """Status for each method there is, and for some that there are not."""
    headers = {"Cookie": cookie} if cookie else {}
    if methods == "socket":
        try:
            with open_socket(server, path, **headers):
                return [101]
        except InvalidStatus as refusal:
            return [refusal.response.status_code]
    named = {"GET"} if methods == "folder" else set(methods.split(","))
    return [
        ask(server, path, method, Origin=server.address, **headers)[0]
        for method in sorted(named | {"GET", "POST", "PUT", "DELETE"})
    ]


def test_the_list_is_whole(routes: list[tuple[str, str]]) -> None:
    paths = {path for path, _ in routes}
    assert {"/pair", "/display", "/live/display", "/live/operator", "/", "/review/x"} <= paths
    assert any(path.startswith("/_nicegui") for path in paths)
    assert len(paths) > 15


def test_unpaired_browsers_reach_nothing_but_the_pairing_page(
    guarded: Server, routes: list[tuple[str, str]]
) -> None:
    reached = {
        path
        for path, methods in routes
        if set(asked(guarded, path, methods, "")) - {303, 401, 403, 405}
    }
    assert reached <= FOR_ANYBODY


def test_a_display_reaches_its_own_and_nothing_else(
    guarded: Server, routes: list[tuple[str, str]], display_cookie: str
) -> None:
    reached = {
        path
        for path, methods in routes
        if set(asked(guarded, path, methods, display_cookie)) - {401, 403, 405}
    }
    assert reached <= FOR_ANYBODY | FOR_DISPLAYS
    assert {"/display", "/live/display"} <= reached


def test_a_displays_socket_tells_nothing_personal(guarded: Server, display_cookie: str) -> None:
    """What goes out is points and what the client sees: no code, no note, no initials."""
    import json

    with open_socket(guarded, "/live/display", Cookie=display_cookie) as link:
        beats = [json.loads(link.recv(timeout=20)) for _ in range(5)]
    told = {key for beat in beats for key in (beat.get("view") or {})}
    assert told
    assert not told & {"client", "client_code", "code", "note", "operator", "cautions"}
