"""Paired browsers: who they are, until when, and how they are sent away again.

The cookie holds a random token, signed; the file holds only its digest, so
that who reads the file gains no entry.  The file outlives a restart of the
server: a tablet on the wall does not have to be paired anew every morning.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import secrets
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import Any, Final

from itsdangerous import BadSignature, TimestampSigner

from steelyard.errors import ScreenError
from steelyard.screen.access.roles import Role

COOKIE: Final = "steelyard_screen"
LIFE_SECONDS: Final = {Role.OPERATOR: 12 * 3600.0, Role.DISPLAY: 30 * 24 * 3600.0}
SESSIONS_LIMIT: Final = 500
_SALT: Final = b"steelyard screen session 1"


@dataclass(frozen=True)
class Session:
    """One paired browser.  Times are Unix seconds; ``digest`` names it."""

    digest: str
    role: Role
    label: str
    begun_unix_seconds: float
    until_unix_seconds: float
    revoked: asyncio.Event = field(default_factory=asyncio.Event, compare=False, repr=False)


LOCAL: Final = "this computer"


def local_session() -> Session:
    """The operator at this very computer, where nobody else can reach the server."""
    return Session("", Role.OPERATOR, LOCAL, time.time(), float("inf"))


class SessionRegister:
    """All paired browsers; kept in ``path``, or only in memory without one."""

    def __init__(self, path: Path | None = None, now: Callable[[], float] = time.time) -> None:
        """Read what an earlier run has kept; what cannot be read means: pair anew."""
        self._path = path
        self._now = now
        kept = _read(path) if path else {}
        key = kept.get("key")
        self._key = key if isinstance(key, str) and len(key) >= 32 else secrets.token_hex(32)
        self._sessions: dict[str, Session] = {}
        for entry in kept.get("sessions", []):
            session = _session(entry)
            if session is not None:
                self._sessions[session.digest] = session
        self._signer = TimestampSigner(self._key, salt=_SALT)
        self._write()

    @property
    def paired(self) -> list[Session]:
        """The browsers that are paired now, the latest first."""
        now = self._now()
        alive = [one for one in self._sessions.values() if one.until_unix_seconds > now]
        return sorted(alive, key=lambda one: one.begun_unix_seconds, reverse=True)

    def begin(self, role: Role, label: str) -> tuple[Session, str]:
        """Pair a browser: its session, and the value of its cookie."""
        now = self._now()
        self._drop_old(now)
        token = secrets.token_urlsafe(32)
        session = Session(_digest(token), role, label[:80], now, now + LIFE_SECONDS[role])
        self._sessions[session.digest] = session
        self._write()
        return session, self._signer.sign(token.encode()).decode()

    def find(self, cookie_header: str) -> Session | None:
        """The session that a request's Cookie header proves; None: it proves none."""
        try:
            morsel = SimpleCookie(cookie_header).get(COOKIE)
        except CookieError:
            return None
        if morsel is None:
            return None
        try:
            token = self._signer.unsign(morsel.value.encode("utf-8", "replace"))
        except BadSignature:
            return None
        session = self._sessions.get(_digest(token.decode("utf-8", "replace")))
        if session is None or session.until_unix_seconds <= self._now():
            return None
        return session

    def end(self, digest: str) -> None:
        """Un-pair: its cookie is worth nothing from now on, its sockets are closed."""
        session = self._sessions.pop(digest, None)
        if session is not None:
            session.revoked.set()
            self._write()

    def _drop_old(self, now: float) -> None:
        gone = [key for key, one in self._sessions.items() if one.until_unix_seconds <= now]
        spare = len(self._sessions) - len(gone) - SESSIONS_LIMIT + 1
        if spare > 0:
            oldest = sorted(self._sessions.values(), key=lambda one: one.begun_unix_seconds)
            gone += [one.digest for one in oldest[:spare]]
        for key in gone:
            self._sessions.pop(key, None)

    def _write(self) -> None:
        if self._path is None:
            return
        entries = []
        for session in self._sessions.values():
            entry: dict[str, Any] = {
                key: value for key, value in vars(session).items() if key != "revoked"
            }
            entries.append({**entry, "role": session.role.value})
        _write_private(self._path, json.dumps({"key": self._key, "sessions": entries}, indent=1))


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _read(path: Path) -> dict[str, Any]:
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return kept if isinstance(kept, dict) else {}


def _session(entry: Any) -> Session | None:
    try:
        return Session(
            str(entry["digest"]),
            Role(entry["role"]),
            str(entry["label"]),
            float(entry["begun_unix_seconds"]),
            float(entry["until_unix_seconds"]),
        )
    except (KeyError, TypeError, ValueError):
        return None


def _write_private(path: Path, text: str) -> None:
    """Whole or not at all, and readable by this user alone (mkstemp sees to that)."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        number, name = tempfile.mkstemp(dir=path.parent, prefix=path.name)
        with os.fdopen(number, "w", encoding="utf-8") as file:
            file.write(text)
        Path(name).replace(path)
    except OSError as error:
        raise ScreenError(
            f"The paired screens could not be kept in {path} ({error.strerror or error}).",
            "Give another folder with --folder, or make room on the disk.",
        ) from error
