"""Which load cell for which machine, and what it will then resolve.

Force on the cell is torque over moment arm.  The amplifier's figures are those of the HX711
data sheet (Avia Semiconductor, Tables 2 and 3): counts = gain * (input / supply) * 2**24,
full scale at 2**23 counts, input noise 50 nV at 10 and 90 nV at 80 conversions a second,
RMS, at gain 128.  For gain 64 the sheet gives no noise; the same voltage is taken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from steelyard.errors import WiringError

COUNTS_PER_RATIO: Final = float(1 << 24)
FULL_SCALE_COUNTS: Final = float(1 << 23)
NOISE_NANOVOLTS: Final = {10: 50.0, 80: 90.0}
SETTLING_CONVERSIONS: Final = 4
STANDARD_GRAVITY: Final = 9.80665

RATED_NEWTONS: Final = tuple(
    float(step * 10**power) for power in (1, 2, 3, 4) for step in (1, 2, 5)
)
"""Sizes as they are sold, in N; common practice, no source.  Cells sold by mass: 1 kg is 9.81 N."""

SHOCK_FACTOR: Final = 1.5
"""A jerk against the locked arm exceeds a steady effort; common practice, no source."""
SMALL_USE: Final = 0.10
SATURATION_MARGIN: Final = 1.2
NOISY_SHARE: Final = 0.001


@dataclass(frozen=True)
class Demand:
    """What the machine asks: the greatest torque in N·m at a cell so many metres from the axis."""

    torque_newton_metres: float
    arm_metres: float
    shock_factor: float = SHOCK_FACTOR

    def __post_init__(self) -> None:
        if not (
            0.0 < self.torque_newton_metres <= 5000.0
            and 0.005 <= self.arm_metres <= 3.0
            and 1.0 <= self.shock_factor <= 5.0
        ):
            raise WiringError(
                f"{self.torque_newton_metres:g} N·m at {self.arm_metres:g} m with a shock factor"
                f" of {self.shock_factor:g} is no machine of this kind.",
                "Torque up to 5000 N·m, arm 0.005 to 3 m (metres, not millimetres), factor 1 to 5.",
            )

    @property
    def force_newtons(self) -> float:
        """Force on the cell at the greatest torque."""
        return self.torque_newton_metres / self.arm_metres

    @property
    def needed_newtons(self) -> float:
        """The same with the shock factor: the least rated force."""
        return self.force_newtons * self.shock_factor


@dataclass(frozen=True)
class Cell:
    """A load cell and the amplifier behind it.

    ``output_mv_per_v`` at rated force; ``excitation_volts`` is the amplifier's analogue
    supply; ``rate_sps`` 10 or 80; ``gain`` 128 or 64.
    """

    rated_newtons: float
    output_mv_per_v: float = 2.0
    excitation_volts: float = 5.0
    gain: int = 128
    rate_sps: int = 80

    def __post_init__(self) -> None:
        if not (self.rated_newtons > 0.0 and 0.1 <= self.output_mv_per_v <= 10.0):
            raise WiringError(
                f"No cell has {self.rated_newtons:g} N and {self.output_mv_per_v:g} mV/V.",
                "Rated force in newtons, output usually 1 to 3 mV/V.",
            )
        if self.gain not in (64, 128) or self.rate_sps not in NOISE_NANOVOLTS:
            raise WiringError(
                f"The HX711 has no gain {self.gain} with {self.rate_sps} conversions a second.",
                "Gain 128 or 64, rate 10 or 80.",
            )
        if not 2.6 <= self.excitation_volts <= 5.5:
            raise WiringError(
                f"The HX711 does not run on {self.excitation_volts:g} V.",
                "Its analogue supply may be 2.6 to 5.5 V (data sheet).",
            )

    @property
    def counts_per_newton(self) -> float:
        """Counts for one newton."""
        return self.gain * 1e-3 * self.output_mv_per_v * COUNTS_PER_RATIO / self.rated_newtons

    @property
    def noise_counts(self) -> float:
        """RMS noise of one conversion, by the amplifier's data sheet: a cell adds little."""
        volts = NOISE_NANOVOLTS[self.rate_sps] * 1e-9
        return volts / self.excitation_volts * self.gain * COUNTS_PER_RATIO

    @property
    def saturation_newtons(self) -> float:
        """Force at which the converter reaches the end of its range."""
        return FULL_SCALE_COUNTS / self.counts_per_newton


@dataclass(frozen=True)
class SensorChoice:
    """What a cell does on a machine; ``warnings`` are sentences, none when all is well."""

    demand: Demand
    cell: Cell
    warnings: tuple[str, ...]

    @property
    def counts_per_newton_metre(self) -> float:
        """Counts for one newton metre."""
        return self.cell.counts_per_newton / self.demand.arm_metres

    @property
    def step_newton_metres(self) -> float:
        """One count in N·m: far below the noise, so not what the machine resolves."""
        return 1.0 / self.counts_per_newton_metre

    @property
    def noise_newton_metres(self) -> float:
        """RMS noise of one conversion in N·m."""
        return self.cell.noise_counts / self.counts_per_newton_metre

    @property
    def second_noise_newton_metres(self) -> float:
        """RMS noise of the mean over one second.

        Each conversion settles over four (data sheet), so only a quarter count as independent.
        """
        return self.noise_newton_metres / math.sqrt(self.cell.rate_sps / SETTLING_CONVERSIONS)

    @property
    def saturation_newton_metres(self) -> float:
        """Torque at which the converter reaches the end of its range."""
        return self.cell.saturation_newtons * self.demand.arm_metres


def smallest_rating(needed_newtons: float) -> float:
    """The smallest size sold that carries so many newtons.

    Raises:
        WiringError: none does.
    """
    for rated in RATED_NEWTONS:
        if rated >= needed_newtons * (1.0 - 1e-9):  # 2000 N needed, computed, is 2000 N
            return rated
    raise WiringError(
        f"{needed_newtons:.0f} N is more than the largest usual cell of {RATED_NEWTONS[-1]:g} N.",
        "Put the cell farther from the axis, or ask an engineer.",
    )


def choose_sensor(
    demand: Demand,
    *,
    rated_newtons: float | None = None,
    output_mv_per_v: float = 2.0,
    excitation_volts: float = 5.0,
    gain: int = 128,
    rate_sps: int = 80,
) -> SensorChoice:
    """The smallest cell that will do, or a given one judged.

    Raises:
        WiringError: a figure makes no sense, or no cell is large enough.
    """
    if rated_newtons is None:
        rated_newtons = smallest_rating(demand.needed_newtons)
    cell = Cell(rated_newtons, output_mv_per_v, excitation_volts, gain, rate_sps)
    return SensorChoice(demand, cell, tuple(_warnings(demand, cell)))


def _warnings(demand: Demand, cell: Cell) -> list[str]:
    found = []
    if cell.rated_newtons < demand.needed_newtons * (1.0 - 1e-9):
        found.append(
            f"TOO SMALL: {demand.torque_newton_metres:g} N·m at {demand.arm_metres:g} m is"
            f" {demand.force_newtons:.0f} N, with shocks {demand.needed_newtons:.0f} N; this cell"
            f" is rated {cell.rated_newtons:g} N. An overloaded cell reads wrong for ever, or"
            " breaks."
        )
    if demand.force_newtons < SMALL_USE * cell.rated_newtons:
        found.append(
            f"too large: the greatest torque uses {demand.force_newtons / cell.rated_newtons:.0%}"
            " of the cell; its errors, stated as a share of the rated force, weigh"
            f" {cell.rated_newtons / demand.force_newtons:.0f} times as much."
        )
    if cell.saturation_newtons < SATURATION_MARGIN * demand.needed_newtons:
        found.append(
            f"saturates at {cell.saturation_newtons:.0f} N, but {demand.needed_newtons:.0f} N may"
            " come, and a zero offset takes its share: use gain 64, or a larger cell."
        )
    noise_newtons = cell.noise_counts / cell.counts_per_newton
    if noise_newtons > NOISY_SHARE * demand.force_newtons:
        found.append(
            f"noisy: one conversion scatters by {noise_newtons:.2g} N RMS,"
            f" {noise_newtons / demand.force_newtons:.1%} of the greatest force: take a smaller"
            " cell, a longer arm, gain 128 or 5 V."
        )
    return found
