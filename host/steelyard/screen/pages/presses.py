"""A press or an entry is never lost: what a button or field does outlives it.

A part of a page is drawn anew when its state changes, and a finger may be on one of its buttons
at that moment.  So a press names its action by a token, and tokens are kept longer than buttons;
an action that makes no sense any more refuses in words, which is more than silence.  What is
entered into a field goes the same way.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Awaitable, Callable
from itertools import count
from typing import Any, Final, Generic, TypeVar
from weakref import WeakKeyDictionary

from nicegui import Client, ui
from nicegui.events import GenericEventArguments

Action = Callable[[], Any] | Callable[[], Awaitable[Any]]

KEPT: Final = 500
"""Buttons (and fields) of one page that are remembered; a page shows some dozens at a time."""
_tokens = count(1)
_Kept = TypeVar("_Kept")


class _Tokens(Generic[_Kept]):
    """Names for the latest of what was added."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, _Kept] = OrderedDict()

    def add(self, what: _Kept) -> str:
        token = str(next(_tokens))
        self._kept[token] = what
        if len(self._kept) > KEPT:
            self._kept.popitem(last=False)
        return token

    def get(self, token: object) -> _Kept | None:
        return self._kept.get(str(token))


class _Page:
    """The actions of one page in one browser, and where what is entered there is kept."""

    def __init__(self) -> None:
        self.actions: _Tokens[Action] = _Tokens()
        self.entries: _Tokens[Callable[[str], None]] = _Tokens()

    async def pressed(self, event: GenericEventArguments) -> None:
        action = self.actions.get(event.args)
        result = action() if action is not None else None
        if isinstance(result, Awaitable):
            await result

    def entered(self, event: GenericEventArguments) -> None:
        told = event.args if isinstance(event.args, dict) else {}
        keep = self.entries.get(told.get("field"))
        if keep is not None:
            keep(str(told.get("value", "")))


_of_client: WeakKeyDictionary[Client, _Page] = WeakKeyDictionary()


def _page() -> _Page:
    client = ui.context.client
    if client not in _of_client:
        _of_client[client] = page = _Page()
        client.layout.on("pressed", page.pressed)
        client.layout.on("entered", page.entered)
    return _of_client[client]


def on_press(element: ui.element, action: Action) -> None:
    """Have ``action`` done when ``element`` is pressed, by pointer, key or foot switch."""
    element.props["data-press"] = _page().actions.add(action)


def on_entry(element: ui.element, keep: Callable[[str], None]) -> None:
    """Have ``keep`` told what stands in a field whenever it changes; of a tick: "yes" or ""."""
    element.props["data-entry"] = _page().entries.add(keep)
