"""The gate in front of everything: no request and no socket passes it unjudged.

In this order: is the address spelt plainly, is the Host one that this server
answers to (DNS rebinding), does a page of another site ask (cross-origin
sockets and forms), is the body too long, and does the browser's session hold
the role that the address needs.  Only then the application sees the request.

A socket ends the moment its session is un-paired or runs out, whatever the
application does with it.
"""

from __future__ import annotations

import asyncio
import ipaddress
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from steelyard.screen.access.roles import Role, may, needed_role
from steelyard.screen.access.sessions import Session, SessionRegister, local_session

BODY_LIMIT_BYTES: Final = 64 * 1024
SOCKET_REFUSED: Final = 4403
_STRICT: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; font-src 'self'; manifest-src 'self'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
_OPERATOR: Final = (
    "default-src 'none'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; "
    "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; connect-src 'self'; "
    "font-src 'self' data:; media-src 'self'; worker-src 'self' blob:; base-uri 'self'; "
    "form-action 'self'; frame-ancestors 'none'"
)
"""Why inline script here: the UI library builds its pages with it.  Nothing from elsewhere."""
_ALWAYS: Final = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
"""Why not "no-referrer": a browser would then say "null" for the origin of the pairing form."""


@dataclass(frozen=True)
class Doors:
    """Whom the server answers.

    ``names``: host names (besides addresses of this computer) that it goes by.
    ``lan``: whether other computers may come.  ``trust_this_computer``: a
    browser on this computer is an operator without pairing; only where no
    other computer, and no proxy for others, can reach the server.
    """

    lan: bool = False
    names: tuple[str, ...] = ()
    trust_this_computer: bool = True

    @property
    def trusts_loopback(self) -> bool:
        """Whether a browser on this computer needs no code."""
        return self.trust_this_computer and not self.lan and not self.names

    def answers_to(self, host: str) -> bool:
        """Whether a Host header names this server.

        Any literal address will do on the LAN: rebinding needs a name.
        """
        name = host_name(host)
        if name == "localhost" or name in self.names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return self.lan or address.is_loopback


def host_name(host: str) -> str:
    """The name in a Host header, without its port; empty when it makes no sense."""
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def is_plain(path: str, raw_path: bytes) -> bool:
    """Whether a path says where it leads: no dots that climb, no coded slashes, no tricks."""
    raw = raw_path.lower()
    if any(sign in raw for sign in (b"%2f", b"%5c", b"%00", b"%2e%2e", b"%25")):
        return False
    parts = path.split("/")
    return (
        path.startswith("/")
        and ".." not in parts
        and "." not in parts
        and not any(sign in path for sign in ("\\", "\0", "//"))
        and path.isprintable()
    )


class Gate:
    """ASGI middleware around the whole application."""

    def __init__(
        self,
        app: ASGIApp,
        sessions: SessionRegister,
        doors: Doors,
        page_owner: Callable[[str], str | None] = lambda _: None,
    ) -> None:
        """``page_owner``: digest of the session for which a page of the UI library was made."""
        self._app = app
        self._sessions = sessions
        self._doors = doors
        self._page_owner = page_owner
        self._local = local_session()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Judge one request or socket."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        session = self._session(scope, headers)
        refusal = self._refusal(scope, headers, session)
        if refusal is not None:
            await _refuse(scope, receive, send, refusal)
            return
        scope.setdefault("state", {})["session"] = session
        if scope["type"] == "websocket":
            await self._app(scope, _until_revoked(receive, session), send)
        else:
            await self._http(scope, receive, send, session)

    def _session(self, scope: Scope, headers: Headers) -> Session | None:
        found = self._sessions.find(headers.get("cookie", ""))
        if found is None and self._doors.trusts_loopback and _from_loopback(scope):
            return self._local
        return found

    def _refusal(self, scope: Scope, headers: Headers, session: Session | None) -> Response | None:
        return self._bad_request(scope, headers) or self._bad_role(scope, session)

    def _bad_request(self, scope: Scope, headers: Headers) -> Response | None:
        if not is_plain(scope["path"], scope.get("raw_path") or b""):
            return PlainTextResponse("This address makes no sense here.", 400)
        if not self._doors.answers_to(headers.get("host", "")):
            return PlainTextResponse("This server does not go by that name.", 421)
        if not self._same_origin(scope, headers):
            return PlainTextResponse("Pages of other sites may not ask here.", 403)
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > BODY_LIMIT_BYTES:
            return PlainTextResponse("The message is too long.", 413)
        return None

    def _bad_role(self, scope: Scope, session: Session | None) -> Response | None:
        path = scope["path"]
        role = session.role if session else None
        if not may(role, path):
            return _not_allowed(scope, path, role)
        if path.startswith("/_nicegui_ws/") and not self._owns_page(scope, session):
            return PlainTextResponse("That page belongs to another session.", 403)
        return None

    def _same_origin(self, scope: Scope, headers: Headers) -> bool:
        """No foreign page; a socket must say where it comes from, as every browser does."""
        origin = headers.get("origin")
        if origin is None:
            return bool(scope["type"] != "websocket")
        if scope["type"] == "http" and scope["method"] in {"GET", "HEAD"} and origin == "null":
            return True  # a browser's own navigation; it changes nothing here
        host = str(headers.get("host", "")).lower()
        netloc: str = urlsplit(str(origin)).netloc
        return bool(host) and netloc.lower() == host

    def _owns_page(self, scope: Scope, session: Session | None) -> bool:
        """A page's socket belongs to the session that the page was made for."""
        query = scope.get("query_string", b"").decode("latin-1")
        wanted = [pair[10:] for pair in query.split("&") if pair.startswith("client_id=")]
        owners = [self._page_owner(page) for page in wanted]
        mine = session.digest if session else None
        return all(owner is None or owner == mine for owner in owners)

    async def _http(
        self, scope: Scope, receive: Receive, send: Send, session: Session | None
    ) -> None:
        policy = _OPERATOR if needed_role(scope["path"]) is Role.OPERATOR else _STRICT

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers["content-security-policy"] = policy
                for name, value in _ALWAYS.items():
                    headers[name] = value
                if not headers.get("cache-control"):
                    headers["cache-control"] = "no-store"
            await send(message)

        await self._app(scope, _bounded(receive), guarded)


def _from_loopback(scope: Scope) -> bool:
    client = scope.get("client")
    try:
        return client is not None and ipaddress.ip_address(client[0]).is_loopback
    except ValueError:
        return False


def _not_allowed(scope: Scope, path: str, role: Role | None) -> Response:
    if scope["type"] == "http" and scope["method"] == "GET" and "." not in path and role is None:
        return RedirectResponse("/pair", 303)
    if role is None:
        return JSONResponse({"error": "pair this browser first"}, 401)
    return JSONResponse({"error": f"not for the role {role.value}"}, 403)


async def _refuse(scope: Scope, receive: Receive, send: Send, refusal: Response) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": SOCKET_REFUSED})
        return
    for name, value in _ALWAYS.items():
        refusal.headers[name] = value
    refusal.headers["content-security-policy"] = _STRICT
    refusal.headers["cache-control"] = "no-store"
    await refusal(scope, receive, send)


def _bounded(receive: Receive) -> Receive:
    """The request's body, cut off where it is longer than it said or may be."""
    taken = 0

    async def limited() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > BODY_LIMIT_BYTES:
            return {"type": "http.disconnect"}
        return message

    return limited


def _until_revoked(receive: Receive, session: Session | None) -> Receive:
    """A socket's messages, and then its end when the session ends."""
    if session is None or session.until_unix_seconds == float("inf"):
        return receive
    ended: Message = {"type": "websocket.disconnect", "code": SOCKET_REFUSED}
    pending: asyncio.Task[Any] | None = None

    async def watched() -> Message:
        nonlocal pending
        pending = pending or asyncio.ensure_future(receive())
        revoked = asyncio.ensure_future(session.revoked.wait())
        left = session.until_unix_seconds - time.time()
        try:
            done, _ = await asyncio.wait(
                {pending, revoked}, timeout=max(0.0, left), return_when=asyncio.FIRST_COMPLETED
            )
        finally:
            revoked.cancel()
        if pending not in done or session.revoked.is_set():
            pending.cancel()
            return ended
        message: Message = pending.result()
        pending = None
        return message

    return watched
