"""Attempts to get past the gate, over the wire, against the running server."""

from __future__ import annotations

import http.client
import json
import socket

import pytest
from playwright.sync_api import Browser, Page
from screen.rig import Server
from steelyard.screen.access.gate import Doors, is_plain
from steelyard.screen.access.sessions import COOKIE
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

OPERATOR_PAGES = (
    "/",
    "/box",
    "/client",
    "/client/C-001/visits",
    "/visit",
    "/screens",
    "/weight",
    "/recordings",
    "/calibrate",
)
OPERATOR_FILES = ("/desk/operator.js", "/desk/pages.css", "/_nicegui/x/static/nicegui.js")

pytestmark = pytest.mark.xdist_group("screen")


def ask(
    server: Server,
    path: str,
    method: str = "GET",
    body: str | None = None,
    **headers: str,
) -> tuple[int, dict[str, str], str]:
    link = http.client.HTTPConnection("127.0.0.1", server.number, timeout=20)
    try:
        link.request(method, path, body, {name.replace("_", "-"): v for name, v in headers.items()})
        answer = link.getresponse()
        told = {name.lower(): value for name, value in answer.getheaders()}
        return answer.status, told, answer.read().decode("utf-8", "replace")
    finally:
        link.close()


def pair(server: Server, code: str, label: str = "test") -> str:
    status, headers, text = ask(
        server,
        "/pair",
        "POST",
        f"code={code}&label={label.replace(' ', '+')}",
        Content_Type="application/x-www-form-urlencoded",
    )
    assert status == 303, text
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    return cookie.partition(";")[0]


@pytest.fixture(scope="module")
def operator_cookie(guarded: Server) -> str:
    return pair(guarded, guarded.code)


@pytest.fixture(scope="module")
def display_cookie(guarded: Server, operator_cookie: str, browser: Browser) -> str:
    return pair(guarded, draw_display_code(guarded, operator_cookie, browser))


def operators_page(server: Server, cookie: str, browser: Browser) -> Page:
    context = browser.new_context()
    name, _, value = cookie.partition("=")
    context.add_cookies([{"name": name, "value": value, "url": server.address}])
    page = context.new_page()
    page.goto(f"{server.address}/screens")
    return page


def draw_display_code(server: Server, cookie: str, browser: Browser) -> str:
    """Through the operator's page, as a person does it."""
    page = operators_page(server, cookie, browser)
    page.get_by_role("button", name="Code for displays").click()
    code = page.locator(".code").first.inner_text()
    page.context.close()
    return code.replace(" ", "")


def until_closed(link: ClientConnection) -> None:
    while True:
        link.recv(timeout=20)


def talk_without_end(link: ClientConnection) -> None:
    for _ in range(2000):
        link.send('{"seen": 0}')
    until_closed(link)


def open_socket(server: Server, path: str, **headers: str) -> ClientConnection:
    headers.setdefault("Origin", server.address)
    return connect(
        f"ws://127.0.0.1:{server.number}{path}",
        additional_headers=headers,
        origin=None,
        open_timeout=20,
    )


@pytest.mark.parametrize("path", [*OPERATOR_PAGES, *OPERATOR_FILES, "/display", "/display/plot.js"])
def test_nothing_is_reachable_without_pairing(guarded: Server, path: str) -> None:
    status, headers, text = ask(guarded, path)
    assert status in {303, 401}
    if status == 303:
        assert headers["location"] == "/pair"
    assert "canvas" not in text


@pytest.mark.parametrize("path", [*OPERATOR_PAGES, *OPERATOR_FILES])
def test_a_display_reaches_nothing_of_an_operators(
    guarded: Server, display_cookie: str, path: str
) -> None:
    status, _, text = ask(guarded, path, Cookie=display_cookie)
    assert status == 403
    assert json.loads(text) == {"error": "not for the role display"}


def test_a_display_reaches_its_own(guarded: Server, display_cookie: str) -> None:
    for path in ("/display", "/display/plot.js"):
        assert ask(guarded, path, Cookie=display_cookie)[0] == 200
    with open_socket(guarded, "/live/display", Cookie=display_cookie) as link:
        assert json.loads(link.recv(timeout=20))["type"] == "beat"


@pytest.mark.parametrize(
    "path", ["/live/operator", "/_nicegui_ws/socket.io/?EIO=4&transport=websocket"]
)
def test_a_display_opens_no_operators_socket(
    guarded: Server, display_cookie: str, path: str
) -> None:
    with pytest.raises(InvalidStatus):
        open_socket(guarded, path, Cookie=display_cookie)
    polling = path.replace("websocket", "polling")
    assert ask(guarded, polling, Cookie=display_cookie)[0] == 403


@pytest.mark.parametrize(
    "origin",
    ["https://evil.example", "http://127.0.0.1:1", "null", "http://localhost.evil.example"],
)
def test_sockets_and_forms_of_other_sites_are_refused(
    guarded: Server, operator_cookie: str, origin: str
) -> None:
    for path in ("/live/display", "/live/operator", "/_nicegui_ws/socket.io/?EIO=4"):
        with pytest.raises(InvalidStatus):
            open_socket(guarded, path, Cookie=operator_cookie, Origin=origin)
    assert ask(guarded, "/pair", "POST", "code=x", Origin=origin)[0] == 403


def test_a_socket_without_an_origin_is_refused(guarded: Server, operator_cookie: str) -> None:
    with pytest.raises(InvalidStatus):
        connect(
            f"ws://127.0.0.1:{guarded.number}/live/display",
            additional_headers={"Cookie": operator_cookie},
        )


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "", "127.0.0.1.evil.example"])
def test_other_names_than_its_own_are_not_answered(
    guarded: Server, operator_cookie: str, host: str
) -> None:
    assert ask(guarded, "/", Cookie=operator_cookie, Host=host)[0] == 421


@pytest.mark.parametrize(
    "path",
    [
        "/display/../desk/operator.js",
        "/display/%2e%2e/desk/operator.js",
        "/display/..%2fdesk/operator.js",
        "/display/%2e%2e%2f%2e%2e%2fserver.py",
        "/display//desk/operator.js",
        "/display/..\\server.py",
        "/display/%5c..%5cserver.py",
        "/display/plot.js%00.html",
        "/display/%252e%252e/server.py",
        "/display/./plot.js",
    ],
)
def test_paths_lead_nowhere_else(guarded: Server, display_cookie: str, path: str) -> None:
    assert ask(guarded, path, Cookie=display_cookie)[0] == 400


def test_only_plain_paths_are_plain() -> None:
    assert is_plain("/display/plot.js", b"/display/plot.js")
    assert is_plain("/review/montag-ä", b"/review/montag-%C3%A4")
    assert not is_plain("/display/..", b"/display/..")
    assert not is_plain("display", b"display")


def test_too_long_a_message_is_refused(guarded: Server, operator_cookie: str) -> None:
    assert ask(guarded, "/pair", "POST", "code=" + "A" * 70_000)[0] == 413
    with open_socket(guarded, "/live/display", Cookie=operator_cookie) as link:
        link.send("x" * 300_000)
        with pytest.raises(ConnectionClosed):
            until_closed(link)
    with open_socket(guarded, "/live/display", Cookie=operator_cookie) as link:
        link.send(json.dumps({"clock": 1, "more": "y" * 600}))
        with pytest.raises(ConnectionClosed):
            until_closed(link)


def test_a_body_longer_than_it_says_is_cut_off(guarded: Server) -> None:
    with socket.create_connection(("127.0.0.1", guarded.number), timeout=20) as link:
        link.sendall(
            b"POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n"
        )
        chunk = b"8000\r\n" + b"A" * 0x8000 + b"\r\n"
        try:
            for _ in range(8):
                link.sendall(chunk)
            link.sendall(b"0\r\n\r\n")
            answer = link.recv(200)
        except OSError:
            answer = b""
    assert b" 200 " not in answer
    assert b" 303 " not in answer
    assert ask(guarded, "/pair")[0] == 200


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", '{"clock": "x"}', '{"clock": NaN}', '{"seen": -1}', '{"seen": {}}'],
)
def test_nonsense_on_the_socket_harms_nobody(
    guarded: Server, operator_cookie: str, text: str
) -> None:
    with open_socket(guarded, "/live/display", Cookie=operator_cookie) as link:
        link.send(text)
    with open_socket(guarded, "/live/display", Cookie=operator_cookie) as link:
        assert json.loads(link.recv(timeout=20))["type"] == "beat"


def test_who_talks_too_much_is_sent_away(guarded: Server, operator_cookie: str) -> None:
    with open_socket(guarded, "/live/display", Cookie=operator_cookie) as link:
        with pytest.raises(ConnectionClosed):
            talk_without_end(link)


def test_every_answer_forbids_other_hosts(guarded: Server, operator_cookie: str) -> None:
    for path in ("/", "/display", "/pair", "/nothing-here"):
        _, headers, _ = ask(guarded, path, Cookie=operator_cookie)
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"
    for path in ("/display", "/pair"):
        assert "unsafe" not in ask(guarded, path)[1]["content-security-policy"]


def test_un_pairing_ends_the_socket_at_once(
    guarded: Server, operator_cookie: str, browser: Browser
) -> None:
    fresh = pair(guarded, draw_display_code(guarded, operator_cookie, browser), "gone soon")
    with open_socket(guarded, "/live/display", Cookie=fresh) as link:
        assert link.recv(timeout=20)
        page = operators_page(guarded, operator_cookie, browser)
        page.get_by_role("button", name="Un-pair gone soon").click()
        with pytest.raises(ConnectionClosed):
            until_closed(link)
        page.context.close()
    assert ask(guarded, "/display/plot.js", Cookie=fresh)[0] == 401


def test_a_forged_cookie_is_no_cookie(guarded: Server) -> None:
    assert ask(guarded, "/box", Cookie=f"{COOKIE}=abc.def.ghi")[0] == 303


def test_wrong_codes_cost_time(guarded: Server) -> None:
    """Last in this file: it makes this computer wait."""
    statuses = [ask(guarded, "/pair", "POST", "code=WRONGX")[0] for _ in range(5)]
    assert statuses[0] == 403
    status, headers, text = ask(guarded, "/pair", "POST", "code=WRONGX")
    assert status == 429
    assert int(headers["retry-after"]) >= 1
    assert "Too many wrong codes" in text


class TestDoors:
    def test_loopback_is_trusted_only_where_nobody_else_can_come(self) -> None:
        assert Doors().trusts_loopback
        assert not Doors(lan=True).trusts_loopback
        assert not Doors(names=("screens.saltmarsh.example",)).trusts_loopback
        assert not Doors(trust_this_computer=False).trusts_loopback

    def test_names(self) -> None:
        lan = Doors(lan=True, names=("heron.saltmarsh.example",))
        for host in ("192.168.1.20:5390", "[fe80::1]:5390", "heron.saltmarsh.example", "localhost"):
            assert lan.answers_to(host)
        for host in ("evil.example", "heron.saltmarsh.example.evil.example", "", "[", "a b"):
            assert not lan.answers_to(host)
        assert not Doors().answers_to("192.168.1.20")
