"""A load channel as the checks see it: its description, what was seen, what to expect.

The noise to expect is that of the HX711 data sheet (Avia Semiconductor): 50 nV at 10 and 90 nV
at 80 conversions a second, RMS, at gain 128.
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from typing import Final

from steelyard_protocol.records import SampleFlags

from steelyard.bringup.observed_channel import ObservedChannel
from steelyard.wiring.sensor_choice import COUNTS_PER_RATIO, NOISE_NANOVOLTS

USUAL_GAIN: Final = 128
"""Input A at its largest gain, ±20 mV at 5 V (HX711 data sheet)."""
RATE_PIN_LOW_BELOW_HZ: Final = 16.0


@dataclass(frozen=True)
class LoadScale:
    """What turns counts into newtons here: from a calibration, or assumed.

    ``gain``: the amplifier's when it was calibrated.
    """

    counts_per_newton: float
    source: str
    gain: int | None = None


@dataclass(frozen=True)
class LoadChannel(ObservedChannel):
    """One load channel with what was seen of it and what to compare it with."""

    excitation_volts: float = 5.0
    scale: LoadScale | None = None

    @property
    def subject(self) -> str:
        """Name for people."""
        return f"channel {self.description.channel} (load)"

    @property
    def expected_gain(self) -> int:
        """Of the calibration, or else what the firmware begins with."""
        return (self.scale.gain if self.scale else None) or USUAL_GAIN

    @property
    def nominal_hz(self) -> float:
        """Conversions a second that the part promises."""
        return self.description.nominal_rate_millihertz / 1000.0

    @property
    def rate_pin_is_low(self) -> bool:
        """Whether an amplifier that should give 80 a second gives about 10."""
        if self.nominal_hz <= 40.0 or not self.seen.intervals_us:
            return False
        attempts = SampleFlags.NO_CONVERSION | SampleFlags.DESYNC
        if 2 * self.seen.flagged(attempts) > len(self.seen.flags):
            return False  # those are the box's own attempts, not conversions
        return statistics.median(self.seen.intervals_us) > 1e6 / RATE_PIN_LOW_BELOW_HZ

    @property
    def expected_noise_counts(self) -> float:
        """RMS noise of the amplifier by its data sheet, in counts."""
        slow = self.rate_pin_is_low or self.nominal_hz <= 40.0
        volts = NOISE_NANOVOLTS[10 if slow else 80] * 1e-9
        return volts / self.excitation_volts * self.description.gain * COUNTS_PER_RATIO

    def in_newtons(self, counts: float) -> str:
        """Counts with newtons behind, where a scale is known."""
        if self.scale is None:
            return f"{counts:.0f} counts"
        newtons = abs(counts / self.scale.counts_per_newton)
        return f"{counts:.0f} counts = {newtons:.3g} N ({self.scale.source})"
