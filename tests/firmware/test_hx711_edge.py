"""The clocked-by-hand driver: an edge that comes while a sample is being taken is not its edge."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from drivers.hx711 import Hx711
from drivers.hx711_reading import Hx711Reading
from steelyard.simulator.clock import VirtualClock

PULSES = 25
EDGE_US = 1000


class Line:
    """A data line that falls again at once after the last pulse: the next conversion is there."""

    IRQ_FALLING = 4

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.pulses = 0
        self.looks_after = 0
        self.edge: Callable[[Any], None] = lambda pin: None

    def irq(self, handler: Callable[[Any], None], trigger: int, hard: bool = False) -> None:
        self.edge = handler

    def value(self) -> int:
        if self.pulses < PULSES:
            return 0
        self.looks_after += 1
        return 1 if self.looks_after == 1 else 0  # high after the 25th pulse, then low again


class Clocking:
    def __init__(self, line: Line) -> None:
        self.line = line

    def value(self, level: int | None = None) -> int:
        self.line.pulses += level == 1
        self.line.clock.sleep_us(20)
        return 0


class Board:
    Pin = Line

    def disable_irq(self) -> int:
        return 0

    def enable_irq(self, state: int) -> None:
        """Nothing waits here."""


def _driver() -> tuple[Hx711, Line, VirtualClock]:
    clock = VirtualClock()
    line = Line(clock)
    driver = Hx711(line, Clocking(line), Board(), clock, 80)
    driver.start(128)
    line.pulses = 0
    clock.advance_to(EDGE_US)
    line.edge(None)
    return driver, line, clock


def test_a_sample_keeps_the_moment_of_its_own_edge() -> None:
    driver, _, clock = _driver()
    stamped_us = clock.now_us
    clock.sleep_us(300)
    assert isinstance(driver, Hx711Reading)
    assert driver.poll(clock.now_us)
    # By now the next conversion is ready, and its edge has been seen.
    assert driver.wait_us(clock.now_us) == 0
    assert driver.ready_ticks_us == int(stamped_us)


def test_an_interrupt_before_the_sample_is_taken_does_not_move_it() -> None:
    driver, line, clock = _driver()
    stamped_us = clock.now_us
    driver.poll(clock.now_us)
    clock.sleep_us(700)
    line.edge(None)
    assert driver.ready_ticks_us == int(stamped_us)
