"""The pieces that pages are made of: plain HTML elements with text, never markup from outside.

Everything that is shown goes in as text, so a note with tags in it is a note
with tags in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from typing import Any

from nicegui import ui
from nicegui.elements.mixins.text_element import TextElement

from steelyard.screen.pages.presses import Action, on_press


def text(tag: str, words: str = "", classes: str = "", **attributes: str) -> TextElement:
    """An element with text; ``attributes`` with _ for -."""
    element = TextElement(tag=tag, text=words)
    _dress(element, classes, attributes)
    return element


def box(tag: str = "div", classes: str = "", **attributes: str) -> ui.element:
    """An element for others; use it in a ``with`` block."""
    element = ui.element(tag)
    _dress(element, classes, attributes)
    return element


def _dress(element: ui.element, classes: str, attributes: Mapping[str, str]) -> None:
    if classes:
        element.classes(classes)
    for name, value in attributes.items():
        element.props[name.rstrip("_").replace("_", "-")] = value


def section(title: str, classes: str = "") -> AbstractContextManager[Any]:
    """A titled part of a page."""
    made = box("section", f"sheet {classes}")
    with made:
        text("h2", title)
    return made


def button(words: str, action: Action, kind: str = "", key: str = "", **more: str) -> TextElement:
    """A button.  ``kind``: main, quiet or danger; ``key`` names it for the keyboard."""
    element = text("button", words, f"act {kind}", type="button", **more)
    if key:
        element.props["data-key"] = key
    on_press(element, action)
    return element


def notice(kind: str, words: str) -> TextElement:
    """A line that stands out: good, care, bad or plain.  The sign stands before the words."""
    return text("p", words, f"notice {kind}", role="status")


def facts(rows: Mapping[str, str]) -> None:
    """A short list of names and values."""
    with box("dl", "facts"):
        for name, value in rows.items():
            with box("div"):
                text("dt", name)
                text("dd", value)


def table(caption: str, head: list[str], rows: list[list[str]]) -> None:
    """A table of text; where there is no room for its columns, each row becomes a short list.

    The roles are said as well, because laid out as lists the elements lose their own.
    """
    with (
        box("div", "scroll", tabindex="0", role="region", aria_label=caption),
        box("table", role="table"),
    ):
        text("caption", caption)
        with box("thead", role="rowgroup"), box("tr", role="row"):
            for words in head:
                text("th", words, scope="col", role="columnheader")
        with box("tbody", role="rowgroup"):
            for row in rows:
                with box("tr", role="row"):
                    text("th", row[0], scope="row", role="rowheader", data_head=head[0])
                    for name, words in zip(head[1:], row[1:], strict=True):
                        text("td", words, role="cell", data_head=name)


def empty(words: str, advice: str) -> None:
    """What stands where there is nothing yet, and what to do about it."""
    with box("div", "empty"):
        text("p", words)
        text("p", advice, "quiet")
