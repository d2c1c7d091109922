"""The practice's calibrations: which are in force for the box, and their history."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from steelyard.calibration import AnyCalibration, load_any_calibration
from steelyard.calibration.history import Act
from steelyard.calibration.register import Register, find_registers


def now_text() -> str:
    """This moment as ISO 8601, UTC."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@dataclass
class InForce:
    """Calibrations in ``folder``; ``box_id`` says which box is there now, empty: none has said."""

    folder: Path
    box_id: Callable[[], str]
    expected_box_id: str = ""

    def register(self, channel: int) -> Register:
        """Calibrations and history of a channel of the box."""
        return Register(self.folder, self._box(), channel)

    def by_channel(self) -> dict[int, AnyCalibration]:
        """What is in force for the box.  Raises CalibrationFileError for a damaged file."""
        box = self._box()
        found = [one for one in find_registers(self.folder) if one.box_id == box]
        return {
            one.channel: calibration for one in found if (calibration := one.in_force()) is not None
        }

    def adopt(self, paths: Iterable[Path]) -> list[str]:
        """Take stored calibrations in, each where its channel has none yet; what is to be said.

        Raises CalibrationFileError when one cannot be read or kept.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        said = []
        for path in paths:
            given = load_any_calibration(path)
            own = given.binding
            self.expected_box_id = own.box_id
            register = Register(self.folder, own.box_id, own.channel)
            history = register.history()
            there, once = history.in_force, [one.calibration_id for one in history.of(Act.IN_FORCE)]
            if there is None:
                register.put_in_force(given, now_text(), f"taken over from {path.name}")
            elif given.calibration_id not in once:
                said.append(
                    f"{path.name} is not used: calibration {there[:12]} is in force for channel "
                    f"{own.channel} by the history in {self.folder}"
                )
        return said

    def _box(self) -> str:
        """The box that is there, or the one that is expected until it says."""
        known = {one.box_id for one in find_registers(self.folder)}
        only = next(iter(known)) if len(known) == 1 else ""
        return self.box_id() or self.expected_box_id or only
