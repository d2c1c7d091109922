"""Before and after: what the set took out of the client."""

from __future__ import annotations

from typing import Any, ClassVar

from steelyard.errors import AnalysisError
from steelyard.guidance import client_words
from steelyard.guidance.record_json import from_values, to_values
from steelyard.guidance.step import Stage, Step
from steelyard.guidance.views import ResponseRow, ResponseView, StepState
from steelyard.strength.before_after import StationResponse, fatigue_response
from steelyard.strength.measured import Statement


class ResponseStep(Step):
    """Compares two tests of this visit; nothing more is asked of the client."""

    kind: ClassVar[str] = "response"

    def __init__(
        self,
        stage: Stage,
        title: str = "Before and after",
        names: tuple[str, str] = ("before", "after"),
    ) -> None:
        super().__init__(stage, title)
        self.rows: tuple[StationResponse, ...] = ()
        self._names = names

    def start(self) -> None:
        """Compare at once."""
        super().start()
        self.finish()

    def advance(self) -> None:
        """Nothing to follow."""

    def _begin(self) -> None:
        self._began = self._here()

    def _wind_up(self) -> None:
        tests = [self.stage.tests.get(name) for name in self._names]
        before, after = tests
        if before is None or after is None:
            text = "A test before and one after the set are needed; one of them is missing."
            self.said = (Statement("no-response", text, spoils=True),)
            return
        try:
            self.rows = fatigue_response(before, after)
        except AnalysisError as error:
            self.said = (Statement("no-response", str(error), spoils=True),)

    def _forget(self) -> None:
        self.rows = ()

    def _lose(self) -> str:
        return ""

    def result_line(self) -> str:
        """Station by station."""
        if not self.rows:
            return "not measured"
        return "; ".join(
            f"{one.degrees:z.0f}° {one.change_percent.text()}"
            + ("" if one.real else " (within its uncertainty)")
            for one in self.rows
        )

    def view(self) -> ResponseView:
        """Rows."""
        spoiled = self.said[0].text if self.said else ""
        ready = self.state is StepState.READY
        advice = "Compares the tests before and after the set." if ready else spoiled
        return ResponseView(
            **self._common(client_words.DONE, "Before and after", advice or self.result_line()),
            rows=tuple(
                ResponseRow(
                    one.degrees, one.before, one.after, one.change, one.change_percent, one.real
                )
                for one in self.rows
            ),
        )

    def kept(self) -> dict[str, Any]:
        """Rows."""
        return {"rows": to_values(self.rows)}

    def take_kept(self, values: dict[str, Any]) -> None:
        """Put them back."""
        self.rows = from_values(tuple[StationResponse, ...], values["rows"])
