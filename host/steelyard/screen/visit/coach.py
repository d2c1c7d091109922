"""In a rehearsal: has the virtual client do what the screen asks, as a willing client would."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from steelyard.calibration import LeverArm
from steelyard.guidance.rehearsal import Rehearsal
from steelyard.guidance.views import SetView, VisitView

MANNERS: Final = {
    "steady": "does everything well",
    "rushed": "moves too fast",
    "slipping": "slips out of the restraint",
    "weak": "has less than half the strength",
    "stops": "gives up after three repetitions",
}
"""How the virtual client may behave, and what that means."""


class Coach:
    """``script``: the file that the virtual client reads its orders from."""

    def __init__(self, script: Path, manner: str) -> None:
        self.script = script
        self.manner = manner
        self.repetitions = 8
        self._rehearsal = Rehearsal("set 8")

    def follow(self, visit: VisitView) -> None:
        """Give the orders that a view calls for."""
        self.order(*self._rehearsal.orders(visit))

    def behave(self, manner: str) -> None:
        """From now on the client behaves so."""
        self.manner = manner
        self.order(f"behave {manner}")

    def begin(self) -> None:
        """A fresh visit: everything may be ordered again."""
        self._rehearsal = Rehearsal(f"set {self.repetitions}")

    def step_begins(self) -> None:
        """A step is started, perhaps once more: everything may be ordered again."""
        self._rehearsal.forget()

    def take_up(self, visit: VisitView) -> None:
        """Go on with the visit that an earlier run of the server left."""
        if isinstance(visit.step, SetView) and visit.step.count_asked:
            self.repetitions = visit.step.count_asked
        self._rehearsal = Rehearsal(f"set {self.repetitions}")
        self._rehearsal.take_up(visit)

    def set_comes(self, plates_kg: float, repetitions: int | None) -> None:
        """The operator chose plates and repetitions."""
        self.repetitions = repetitions or self.repetitions
        self._rehearsal = Rehearsal(f"set {self.repetitions}")
        self.order(f"stack {plates_kg:g}")

    def hang(self, mass_kg: float, arm: LeverArm | None = None) -> None:
        """The virtual technician hangs so much in all, from the cell or the arm."""
        place = f" {arm.length_metres:g} {arm.angle_degrees:g}" if arm is not None else ""
        self.order(f"hang {mass_kg:g}{place}")

    def seat(self) -> None:
        """All weights come off, and the client takes the seat."""
        self.order("relax 1")

    def order(self, *lines: str) -> None:
        """Append orders to the script."""
        if lines:
            with self.script.open("a", encoding="utf-8") as file:
                file.writelines(f"{line}\n" for line in lines)
