"""Pairing codes: short enough to type on a tablet, hard enough to guess.

A code of six digits falls to somebody who may try a million times.  So wrong
tries cost time that grows, for the address they come from and for everybody
together, and after `TRIES_PER_CODE` wrong ones all codes are drawn anew.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from steelyard.errors import PairingDelayError, PairingError
from steelyard.screen.access.roles import Role

ALPHABET: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
"""Without 0 O 1 I L, which are mistaken for one another on a screen across the room."""
DISPLAY_LENGTH: Final = 6
OPERATOR_LENGTH: Final = 8
CODE_SECONDS: Final = 600.0
FREE_TRIES: Final = 3
FREE_TRIES_TOGETHER: Final = 10
LONGEST_DELAY_SECONDS: Final = 300.0
FORGET_SECONDS: Final = 3600.0
TRIES_PER_CODE: Final = 30
ADDRESSES_LIMIT: Final = 2000


@dataclass(frozen=True)
class PairingCode:
    """A code in force.  A display's serves any number of displays, an operator's only one."""

    text: str
    role: Role
    until_seconds: float


@dataclass
class _Offender:
    wrong: int = 0
    free_at_seconds: float = 0.0
    last_seconds: float = 0.0


class PairingDesk:
    """Gives codes out and takes them back.  ``clock`` is a monotonic one, in seconds."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._codes: list[PairingCode] = []
        self._offenders: dict[str, _Offender] = {}
        self._together = _Offender()
        self._wrong_for_codes = 0
        self.refused_total = 0

    def open(self, role: Role) -> PairingCode:
        """The code in force for a role; a fresh one when there is none."""
        now = self._clock()
        self._codes = [code for code in self._codes if code.until_seconds > now]
        for code in self._codes:
            if code.role is role:
                return code
        length = OPERATOR_LENGTH if role is Role.OPERATOR else DISPLAY_LENGTH
        text = "".join(secrets.choice(ALPHABET) for _ in range(length))
        fresh = PairingCode(text, role, now + CODE_SECONDS)
        self._codes.append(fresh)
        return fresh

    def close(self, role: Role) -> None:
        """Withdraw the code of a role."""
        self._codes = [code for code in self._codes if code.role is not role]

    def redeem(self, text: str, address: str) -> Role:
        """The role that a code gives.

        Raises:
            PairingDelayError: too many wrong codes; try again later.
            PairingError: the code is wrong, or no longer in force.
        """
        now = self._clock()
        self._refuse_early(address, now)
        given = "".join(text.upper().split()).replace("-", "").encode("utf-8", "replace")
        found: PairingCode | None = None
        for code in self._codes:  # all of them, so that time says nothing about any
            if hmac.compare_digest(code.text.encode(), given) and code.until_seconds > now:
                found = code
        if found is None:
            self._count_wrong(address, now)
            raise PairingError(
                "That code is not in force.", "Ask for the code that the operator's screen shows."
            )
        self._offenders.pop(address, None)
        if found.role is Role.OPERATOR:
            self._codes.remove(found)
        return found.role

    def _refuse_early(self, address: str, now: float) -> None:
        mine = self._offenders.get(address, _Offender())
        wait = max(mine.free_at_seconds, self._together.free_at_seconds) - now
        if wait > 0.0:
            self.refused_total += 1
            raise PairingDelayError(
                f"Too many wrong codes. The next try is possible in {wait:.0f} s.",
                "Wait, then type the code that the operator's screen shows.",
                wait,
            )

    def _count_wrong(self, address: str, now: float) -> None:
        self.refused_total += 1
        self._forget(now)
        if len(self._offenders) < ADDRESSES_LIMIT:
            _punish(self._offenders.setdefault(address, _Offender()), FREE_TRIES, now)
        _punish(self._together, FREE_TRIES_TOGETHER, now)
        self._wrong_for_codes += 1
        if self._wrong_for_codes >= TRIES_PER_CODE:
            self._wrong_for_codes = 0
            self._codes.clear()

    def _forget(self, now: float) -> None:
        old = [
            address
            for address, offender in self._offenders.items()
            if now - offender.last_seconds > FORGET_SECONDS
        ]
        for address in old:
            del self._offenders[address]
        if now - self._together.last_seconds > FORGET_SECONDS:
            self._together = _Offender()


def _punish(offender: _Offender, free: int, now: float) -> None:
    offender.wrong += 1
    offender.last_seconds = now
    if offender.wrong >= free:
        delay = min(LONGEST_DELAY_SECONDS, 2.0 ** min(20, offender.wrong - free))
        offender.free_at_seconds = now + delay
