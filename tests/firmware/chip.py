"""One amplifier, read by hand or by a state machine, and the samples taken from it."""

from __future__ import annotations

from typing import Any

from drivers.hx711 import Hx711
from firmware.pio_rig import driver
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.parts.hx711 import HX711
from steelyard.simulator.parts.machine import Machine

DATA, SCK = 2, 3


class Chip:
    """`pio`: read by a state machine."""

    def __init__(
        self, gain: int = 128, clock_error: float = 0.08, *, pio: bool = False, rate_sps: int = 80
    ) -> None:
        self.clock = VirtualClock()
        self.machine = Machine(self.clock)
        self.ratio = 0.0
        self.part = HX711(
            self.clock,
            self.machine.Pin.wire(DATA),
            self.machine.Pin.wire(SCK),
            lambda channel, at_us: self.ratio,
            clock_error=clock_error,
            rate_sps=rate_sps,
        )
        pin = self.machine.Pin
        data, sck = pin(DATA, pin.IN, pin.PULL_UP), pin(SCK, pin.OUT)
        self.driver: Any
        if pio:
            module = driver("hx711_pio")
            self.driver = module.Hx711Pio(0, data, sck, self.machine, self.clock, 80)
        else:
            self.driver = Hx711(data, sck, self.machine, self.clock, 80)
        self.driver.start(gain)

    def set_code(self, code: int, gain: int = 128) -> None:
        self.ratio = code / (gain * 16777216.0)

    def samples(self, count: int, poll_every_us: int = 100) -> list[tuple[int, int, int]]:
        """The next `count` samples as (counts, flags, ready ticks)."""
        found: list[tuple[int, int, int]] = []
        while len(found) < count:
            self.clock.sleep_us(poll_every_us)
            if self.driver.poll(self.clock.ticks_us()):
                driver = self.driver
                found.append((driver.counts, driver.flags, driver.ready_ticks_us))
        return found

    def settled(self) -> Chip:
        self.samples(6)
        self.part.violations.clear()
        self.part.violations_total = 0
        return self
