"""Errors on pages: what happened and what to do, never a stack trace."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable

from nicegui import ui

from steelyard.errors import SteelyardError
from steelyard.screen.pages.presses import Action

log = logging.getLogger(__name__)


def guarded(
    action: Action, after: Callable[[], None] | None = None
) -> Callable[[], Awaitable[None]]:
    """The action, with its refusals told to the operator; ``after`` follows when it went well."""

    async def run() -> None:
        # The button may be gone before its action is over: what follows belongs to the page.
        with ui.context.client:
            try:
                result = action()
                if isinstance(result, Awaitable):
                    await result
            except SteelyardError as error:
                tell(str(error))
            except Exception:
                log.exception("a page's action failed")
                tell("That did not work, for a reason of the program's own. It is in the log.")
            else:
                if after is not None:
                    after()

    return run


def tell(words: str, kind: str = "bad") -> None:
    """A line at the foot of the page, until it is closed."""
    ui.run_javascript(f"window.steelyardTell({_quoted(words)}, {_quoted(kind)})")


def _quoted(words: str) -> str:
    import json

    return json.dumps(words).replace("<", "\\u003c")
