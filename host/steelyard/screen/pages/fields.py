"""Form fields: native ones with a real label, whose text is kept on the server as it is typed."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import count
from typing import Final

from nicegui import ui

from steelyard.errors import SteelyardError
from steelyard.screen.pages.parts import box, text
from steelyard.screen.pages.presses import on_entry

TEXT_LIMIT: Final = 500
_numbers = count(1)


class Form:
    """What was typed into the fields of one page."""

    def __init__(self, **values: str) -> None:
        self.values: dict[str, str] = dict(values)

    def __getitem__(self, name: str) -> str:
        return self.values.get(name, "").strip()

    def number(self, name: str, meaning: str) -> float | None:
        """A number; None when nothing was typed.  Raises SteelyardError for anything else."""
        typed = self[name].replace(",", ".")
        if not typed:
            return None
        try:
            return float(typed)
        except ValueError as error:
            raise SteelyardError(
                f"“{typed[:20]}” is no number for {meaning}.", "Type digits, such as 12.5."
            ) from error

    def numbers(self, name: str, meaning: str) -> tuple[float, ...]:
        """Numbers with blanks between.  Raises SteelyardError for anything else."""
        try:
            return tuple(float(word) for word in self[name].replace(";", " ").split())
        except ValueError as error:
            raise SteelyardError(
                f"“{self[name][:40]}” holds something that is no number for {meaning}.",
                "Type numbers with blanks between.",
            ) from error

    # --- fields ------------------------------------------------------------------------

    def field(self, name: str, label: str, hint: str = "", long: bool = False, **more: str) -> None:
        """A line (or several) of text."""
        number = f"field-{next(_numbers)}"
        with box("div", "field"):
            text("label", label, for_=number)
            if hint:
                text("p", hint, "quiet", id=f"{number}-hint")
                more["aria_describedby"] = f"{number}-hint"
            known = self.values.get(name, "")
            made = text(
                "textarea" if long else "input",
                known if long else "",
                id=number,
                name=name,
                maxlength=str(TEXT_LIMIT),
                autocomplete="off",
                **more,
            )
            if not long:  # as an attribute (^): drawing the page anew must not undo what is typed
                made.props["^value"] = known
            self._listen(made, name)

    def choice(self, name: str, label: str, options: Mapping[str, str]) -> None:
        """One of several."""
        number = f"field-{next(_numbers)}"
        self.values.setdefault(name, next(iter(options), ""))
        with box("div", "field"):
            text("label", label, for_=number)
            with box("select", id=number, name=name) as made:
                for value, words in options.items():
                    option = text("option", words, value=value)
                    if value == self.values[name]:
                        option.props["selected"] = True
            self._listen(made, name)

    def tick(self, name: str, label: str) -> None:
        """Yes or no; ``form[name]`` is "yes" or empty."""
        number = f"field-{next(_numbers)}"
        with box("div", "field tick"):
            made = box("input", id=number, type="checkbox")
            if self[name]:
                made.props["checked"] = True
            text("label", label, for_=number)
            self._listen(made, name)

    def _listen(self, made: ui.element, name: str) -> None:
        def keep(entered: str) -> None:
            self.values[name] = entered[:TEXT_LIMIT]

        on_entry(made, keep)
