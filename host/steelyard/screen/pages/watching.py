"""Keeps a part of a page in step with the server's state, without losing the keyboard's place."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, Final

from nicegui import ui

LOOK_SECONDS: Final = 0.25


def follow(state: Callable[[], Any], build: Callable[[], None]) -> None:
    """Build a part now, and again whenever ``state()`` (plain data) has become another."""
    shown = _key(state())

    @ui.refreshable
    def part() -> None:
        build()

    part()

    def look() -> None:
        nonlocal shown
        now = _key(state())
        if now != shown:
            shown = now
            part.refresh()

    ui.timer(LOOK_SECONDS, look)


def _key(state: Any) -> str:
    return json.dumps(state, default=str, sort_keys=True)
