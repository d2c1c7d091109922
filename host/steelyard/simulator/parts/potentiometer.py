"""The processor's analogue inputs and a potentiometer on one of them."""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

    from ..clock import VirtualClock
    from .pins import Pin

CORE_TEMPERATURE_CHANNEL = 4
CONVERSION_US = 2
SUPPLY_VOLTS = 3.3
NOISE_STEPS = 2.5
"""RMS noise in 12-bit steps: about 8.7 effective bits together with the spikes."""
WIDE_STEPS = (512, 1536, 2560, 3584)
"""Codes that swallow their neighbours on the RP2040 (its published erratum on
the converter; the width of 8 is from memory)."""
WIDE_STEP_WIDTH = 8


class Potentiometer:
    """A wiper between the rails.

    ``fraction(at_us)`` is the wiper's place from 0 to 1.  With ``open_wiper``
    the input's leakage pulls it almost to the lower rail.
    """

    def __init__(self, fraction: "Callable[[int], float]") -> None:
        self.open_wiper = False
        self._fraction = fraction

    def fraction_of_supply(self, now_us: int) -> float:
        """Voltage at the wiper over the supply."""
        if self.open_wiper:
            return 0.0005
        return max(0.0, min(1.0, self._fraction(now_us)))


class CoreTemperature:
    """The sensor inside the RP2040: 0.706 V at 27 °C, -1.721 mV/°C (its data sheet)."""

    def __init__(self, celsius: "Callable[[int], float]") -> None:
        self._celsius = celsius

    def fraction_of_supply(self, now_us: int) -> float:
        """Voltage over the supply."""
        return (0.706 - 0.001721 * (self._celsius(now_us) - 27.0)) / SUPPLY_VOLTS


class ADC:
    """Stand-in for a ``machine.ADC`` object."""

    def __init__(
        self,
        clock: "VirtualClock",
        source: "Potentiometer | CoreTemperature | None",
        gauss: "Callable[[float, float], float] | None",
    ) -> None:
        self._clock = clock
        self._source = source
        self._gauss = gauss

    def read_u16(self) -> int:
        """Convert once; 12 bits spread over 16 as MicroPython does."""
        clock = self._clock
        clock.spend(CONVERSION_US)
        fraction = 0.0 if self._source is None else self._source.fraction_of_supply(clock.now_us)
        steps = fraction * 4095.0
        if self._gauss is not None:
            steps += self._gauss(0.0, NOISE_STEPS)
        code = max(0, min(4095, int(steps + 0.5)))
        for wide in WIDE_STEPS:
            if wide <= code < wide + WIDE_STEP_WIDTH:
                code = wide
        return code << 4 | code >> 8


class ADCBank:
    """Stand-in for ``machine.ADC``: called with a pin or a channel number."""

    CORE_TEMP = CORE_TEMPERATURE_CHANNEL

    def __init__(
        self, clock: "VirtualClock", gauss: "Callable[[float, float], float] | None" = None
    ) -> None:
        self.sources: dict[int, Potentiometer | CoreTemperature] = {}
        self._clock = clock
        self._gauss = gauss

    def __call__(self, pin: "Pin | int") -> ADC:
        """Return the input as ``machine.ADC(pin)`` would: GP26 is channel 0."""
        number = pin if isinstance(pin, int) else pin.number
        channel = number - 26 if number >= 26 else number
        return ADC(self._clock, self.sources.get(channel), self._gauss)
