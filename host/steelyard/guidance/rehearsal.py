"""What a willing client and helper would do next, as orders to the virtual client.

For learning without a machine: looks at the views, as a person looks at the
screen, and gives the orders of ``simulator.virtual_client``.  Each thing is
ordered once.
"""

from __future__ import annotations

from steelyard.guidance.views import (
    GOING_ON,
    BalanceView,
    IsometricView,
    RestraintView,
    SetView,
    StepState,
    VisitView,
)


class Rehearsal:
    """``orders`` gives what is new since it was last asked."""

    def __init__(self, set_order: str = "set") -> None:
        self._set_order = set_order
        self._done: set[tuple[object, ...]] = set()
        self._stopped = False

    def orders(self, visit: VisitView) -> tuple[str, ...]:
        """Lines for the virtual client; mostly none."""
        if visit.stopped and not self._stopped:
            self._stopped = True
            return ("stop",)
        self._stopped = bool(visit.stopped)
        step = visit.step
        if step is None or step.state is not StepState.RUNNING or not visit.live.live:
            return ()
        key: tuple[object, ...] = ()
        orders: tuple[str, ...] = ()
        if isinstance(step, RestraintView):
            key, orders = (step.lost,), ("gentle",)
        elif isinstance(step, BalanceView):
            key, orders = (step.phase, len(step.attempts), step.lost), self._balance(step)
        elif isinstance(step, IsometricView):
            key, orders = self._isometric(step, visit.live.angle_degrees)
        elif isinstance(step, SetView):
            key, orders = ("set",), (self._set_order,)  # who lifts goes on through an outage
        key = (visit.current, *key)
        if not orders or key in self._done:
            return ()
        self._done.add(key)
        return orders

    def forget(self) -> None:
        """A step is done again: order everything again."""
        self._done.clear()

    def take_up(self, visit: VisitView) -> None:
        """The program was started again: who lifts went on, and is not told to begin anew."""
        if isinstance(visit.step, SetView) and visit.step.state in GOING_ON:
            self._done.add((visit.current, "set"))

    @staticmethod
    def _balance(step: BalanceView) -> tuple[str, ...]:
        if step.phase == "sweep":
            return ("sweep",)
        if step.phase == "crank" and step.turns_advised:
            return (f"crank {step.turns_advised:g}",)
        return ()

    @staticmethod
    def _isometric(
        step: IsometricView, at_degrees: float | None
    ) -> tuple[tuple[object, ...], tuple[str, ...]]:
        key = (step.phase, step.station_degrees, step.effort_number, step.lost)
        away = step.off_station_degrees
        del at_degrees
        if step.phase == "to station" and (away is None or abs(away) > 1.0):
            return key, (f"move {step.station_degrees:g}",)
        if step.phase == "rise":
            return key, ("push",)
        return key, ()
