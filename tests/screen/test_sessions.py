from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from steelyard.screen.access.roles import FOR_DISPLAYS, Role, may, needed_role
from steelyard.screen.access.sessions import COOKIE, LIFE_SECONDS, SESSIONS_LIMIT, SessionRegister


def header(value: str) -> str:
    return f"other=1; {COOKIE}={value}"


def test_a_cookie_proves_its_session_and_no_other(tmp_path: Path) -> None:
    register = SessionRegister(tmp_path / "paired.json")
    session, cookie = register.begin(Role.DISPLAY, "wall")
    found = register.find(header(cookie))
    assert found == session
    for forged in (cookie[:-1], cookie + "A", cookie.replace(".", "", 1), "", "\x00", "é"):
        assert register.find(header(forged)) is None
    assert register.find(header(SessionRegister().begin(Role.OPERATOR, "x")[1])) is None


def test_sessions_outlive_a_restart_and_end_when_told(tmp_path: Path) -> None:
    path = tmp_path / "paired.json"
    first = SessionRegister(path)
    session, cookie = first.begin(Role.OPERATOR, "tablet")
    again = SessionRegister(path)
    found = again.find(header(cookie))
    assert found is not None
    assert found.role is Role.OPERATOR
    again.end(session.digest)
    assert found.revoked.is_set()
    assert again.find(header(cookie)) is None
    assert SessionRegister(path).find(header(cookie)) is None


def test_the_file_holds_no_token_and_is_private(tmp_path: Path) -> None:
    path = tmp_path / "paired.json"
    _, cookie = SessionRegister(path).begin(Role.DISPLAY, "wall")
    assert cookie.split(".")[0] not in path.read_text(encoding="utf-8")
    if os.name == "posix":
        assert path.stat().st_mode & 0o077 == 0


def test_sessions_run_out(tmp_path: Path) -> None:
    now = [1_000_000.0]
    register = SessionRegister(tmp_path / "paired.json", lambda: now[0])
    _, cookie = register.begin(Role.OPERATOR, "tablet")
    now[0] += LIFE_SECONDS[Role.OPERATOR] - 1
    assert register.find(header(cookie)) is not None
    now[0] += 2
    assert register.find(header(cookie)) is None
    assert register.paired == []


@pytest.mark.parametrize("text", ["", "no json", "[]", '{"sessions": [{}, 7]}', '{"key": 3}'])
def test_a_damaged_file_means_pairing_anew(tmp_path: Path, text: str) -> None:
    path = tmp_path / "paired.json"
    path.write_text(text, encoding="utf-8")
    register = SessionRegister(path)
    assert register.paired == []
    _, cookie = register.begin(Role.DISPLAY, "wall")
    assert register.find(header(cookie)) is not None
    json.loads(path.read_text(encoding="utf-8"))


def test_no_number_of_pairings_fills_the_memory() -> None:
    register = SessionRegister()
    for number in range(SESSIONS_LIMIT + 20):
        register.begin(Role.DISPLAY, str(number))
    assert len(register.paired) <= SESSIONS_LIMIT


def test_what_is_not_listed_needs_an_operator() -> None:
    for path in (
        "/",
        "/box",
        "/visit",
        "/live/operator",
        "/_nicegui_ws/socket.io/",
        "/desk/x.js",
        "/displays",
        "/display2/x",
        "/live/displayx",
        "/something/new",
    ):
        assert needed_role(path) is Role.OPERATOR
        assert not may(Role.DISPLAY, path)
        assert not may(None, path)
        assert may(Role.OPERATOR, path)
    for path in FOR_DISPLAYS:
        assert may(Role.DISPLAY, path)
        assert not may(None, path)
