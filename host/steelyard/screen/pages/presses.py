"""A press is never lost: what a button does outlives the button.

A part of a page is drawn anew when its state changes, and a finger may be on one of its buttons
at that moment.  So a press names its action by a token, and tokens are kept longer than buttons;
an action that makes no sense any more refuses in words, which is more than silence.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Awaitable, Callable
from itertools import count
from typing import Any, Final
from weakref import WeakKeyDictionary

from nicegui import Client, ui
from nicegui.events import GenericEventArguments

Action = Callable[[], Any] | Callable[[], Awaitable[Any]]

KEPT: Final = 500
"""Buttons of one page whose actions are remembered; a page shows some dozens at a time."""
_tokens = count(1)


class _Presses:
    """The actions of one page in one browser."""

    def __init__(self) -> None:
        self._actions: OrderedDict[str, Action] = OrderedDict()

    def add(self, action: Action) -> str:
        token = str(next(_tokens))
        self._actions[token] = action
        if len(self._actions) > KEPT:
            self._actions.popitem(last=False)
        return token

    async def take(self, event: GenericEventArguments) -> None:
        action = self._actions.get(str(event.args))
        result = action() if action is not None else None
        if isinstance(result, Awaitable):
            await result


_of_client: WeakKeyDictionary[Client, _Presses] = WeakKeyDictionary()


def on_press(element: ui.element, action: Action) -> None:
    """Have ``action`` done when ``element`` is pressed, by pointer, key or foot switch."""
    client = ui.context.client
    if client not in _of_client:
        _of_client[client] = presses = _Presses()
        client.layout.on("pressed", presses.take)
    element.props["data-press"] = _of_client[client].add(action)
