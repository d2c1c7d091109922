"""The default board's wiring: every part on the pin where the box expects it."""

from .as5600 import ADDRESS, AS5600
from .button import Button
from .hx711 import HX711
from .potentiometer import CORE_TEMPERATURE_CHANNEL, CoreTemperature, Potentiometer

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

    from ..clock import VirtualClock
    from .machine import Machine

LOAD_PINS = ((2, 3), (4, 5))
"""DOUT and PD_SCK of each bridge amplifier."""
BUTTON_PIN = 15
SERVICE_PIN = 14
ANGLE_BUS = 0
ROLLER_ADC_CHANNEL = 0


class Inputs:
    """What the parts feel; the owner of the bench replaces what it simulates.

    Times are the clock's ``now_us``.
    """

    def bridge_ratio(self, index: int, at_us: int) -> float:
        """Output over excitation of load cell ``index`` (V/V)."""
        return 0.0

    def shaft_degrees(self, at_us: int) -> float:
        """Angle of the magnet on the arm's shaft."""
        return 0.0

    def roller_fraction(self, at_us: int) -> float:
        """Place of the roller potentiometer's wiper, 0 to 1."""
        return 0.5

    def core_celsius(self, at_us: int) -> float:
        """Temperature of the microcontroller."""
        return 27.0


def _bridge(inputs: Inputs, index: int) -> "Callable[[str, int], float]":
    """Only input A of an amplifier is wired to a bridge; B reads zero."""

    def ratio(channel: str, at_us: int) -> float:
        return inputs.bridge_ratio(index, at_us) if channel == "A" else 0.0

    return ratio


class Bench:
    """Two bridge amplifiers, an angle sensor, a potentiometer and a button, wired up."""

    def __init__(
        self,
        clock: "VirtualClock",
        machine: "Machine",
        inputs: Inputs,
        *,
        gauss: "Callable[[float, float], float] | None" = None,
        rate_sps: int = 80,
        clock_errors: "tuple[float, ...]" = (0.08, 0.11),
    ) -> None:
        self.amplifiers = [
            HX711(
                clock,
                machine.Pin.wire(data),
                machine.Pin.wire(clocking),
                _bridge(inputs, index),
                gauss=gauss,
                rate_sps=rate_sps,
                clock_error=clock_errors[index],
            )
            for index, (data, clocking) in enumerate(LOAD_PINS)
        ]
        self.angle_sensor = AS5600(inputs.shaft_degrees, gauss)
        self.angle_wires = machine.I2C.wires(ANGLE_BUS)
        self.angle_wires.targets[ADDRESS] = self.angle_sensor
        self.roller = Potentiometer(inputs.roller_fraction)
        machine.ADC.sources[ROLLER_ADC_CHANNEL] = self.roller
        machine.ADC.sources[CORE_TEMPERATURE_CHANNEL] = CoreTemperature(inputs.core_celsius)
        self.button = Button(clock, machine.Pin.wire(BUTTON_PIN))

    def power_off(self) -> None:
        """Take the supply away from every part."""
        for amplifier in self.amplifiers:
            amplifier.power_off()

    def power_on(self) -> None:
        """Give the supply back."""
        for amplifier in self.amplifiers:
            amplifier.power_on()
        self.angle_sensor.power_on()
