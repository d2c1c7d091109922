"""A calibration under way, kept on disk, so that what was read outlives the server.

Readings of whole runs count on.  The run that broke off is done again, for what a sensor
shows depends on the loads just before, and so are the exercises: it has rested.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from steelyard.calibration import Binding, LoadPoint, RunStep
from steelyard.calibration.run_plan import whole_runs
from steelyard.calibration.whole_file import write_whole
from steelyard.errors import CalibrationError, SteelyardError
from steelyard.guidance.record_json import from_values, to_values
from steelyard.printed.document import moment_text
from steelyard.screen.hanging.weight_orders import WeightOrder

KEPT_NAME: Final = "calibration-going-on.json"
LARGEST_BYTES: Final = 4_000_000


@dataclass(frozen=True)
class BrokenOff:
    """Everything that is needed to go on; ``typed`` is what stood in the form."""

    order: WeightOrder
    binding: Binding
    by: str
    begun_at: str
    points: tuple[LoadPoint, ...]
    typed: Mapping[str, str]

    @property
    def counting(self) -> tuple[LoadPoint, ...]:
        """Readings of whole runs."""
        return whole_runs(self.order.plan, self.points)[0]

    @property
    def left(self) -> tuple[RunStep, ...]:
        """Steps still to do; none when all was read."""
        return whole_runs(self.order.plan, self.points)[1]

    def text(self) -> str:
        """What is there, in words."""
        runs = max(step.run for step in self.order.plan)
        whole = max((point.run for point in self.counting), default=0)
        began = f"{self.by} began it at {moment_text(self.begun_at)}. "
        if not self.left:
            return f"{began}All {runs} runs have been read; they are still to be judged."
        if not whole:
            return f"{began}No run of {runs} was read whole: the first is done again."
        return (
            f"{began}{whole} of {runs} runs {'was' if whole == 1 else 'were'} read whole and count "
            "on. The one after is done again, and the load exercised first: the sensor has rested."
        )


def keep(broken: BrokenOff, folder: Path) -> None:
    """Write it whole or not at all.  Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    write_whole(folder / KEPT_NAME, json.dumps(to_values(broken)).encode("ascii"))


def kept_in(folder: Path) -> BrokenOff | None:
    """What an earlier run of the server left.  Raises CalibrationError when it is damaged."""
    path = folder / KEPT_NAME
    try:
        with path.open("rb") as file:
            content = json.loads(file.read(LARGEST_BYTES))
        return from_values(BrokenOff, content)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError, RecursionError, SteelyardError) as error:
        raise CalibrationError(
            f"The calibration that broke off cannot be read from {path}: {error}.",
            "Begin it anew.",
        ) from error


def forget(folder: Path) -> None:
    """Nothing is left to go on with.  Raises OSError."""
    (folder / KEPT_NAME).unlink(missing_ok=True)
