"""Who may reach what: two roles, and the role that each address needs.

What is not listed needs an operator: a page that somebody adds and forgets to
list here is closed, not open.
"""

from __future__ import annotations

from enum import Enum
from typing import Final


class Role(Enum):
    """What a paired browser may do."""

    DISPLAY = "display"
    """Sees the client display: nothing personal, and controls nothing."""
    OPERATOR = "operator"
    """Sees and does everything."""


PUBLIC: Final = ("/pair", "/pair/", "/favicon.ico")
"""The page that asks for the code, with its style and script; nothing else."""
FOR_DISPLAYS: Final = ("/display", "/display/", "/live/display")


def needed_role(path: str) -> Role | None:
    """The least role that may ask for ``path``; None: anybody may."""
    if _listed(path, PUBLIC):
        return None
    if _listed(path, FOR_DISPLAYS):
        return Role.DISPLAY
    return Role.OPERATOR


def may(role: Role | None, path: str) -> bool:
    """Whether somebody with ``role`` (None: not paired) may ask for ``path``."""
    needed = needed_role(path)
    return needed is None or role is Role.OPERATOR or role is needed


def _listed(path: str, places: tuple[str, ...]) -> bool:
    """Exact, or below a place that ends in a slash."""
    return any(path == at or (at.endswith("/") and path.startswith(at)) for at in places)
