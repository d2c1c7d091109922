"""Stand-in for MicroPython's `machine` module, and the processor it belongs to."""

from .i2c import I2CBank
from .pins import Interrupts, PinBank
from .potentiometer import ADCBank

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

    from ..clock import VirtualClock

PWRON_RESET = 1
WDT_RESET = 3
SOFT_RESET = 5


class Machine:
    """What board code is given in place of the `machine` module.

    ``Pin``, ``I2C`` and ``ADC`` are called as the real classes are; the wires
    behind them are had from ``Pin.wire(n)``, ``I2C.wires(n)``, ``ADC.sources``.
    """

    PWRON_RESET = PWRON_RESET
    WDT_RESET = WDT_RESET
    SOFT_RESET = SOFT_RESET

    def __init__(
        self,
        clock: "VirtualClock",
        box_id: bytes = b"STANDIN1",
        gauss: "Callable[[float, float], float] | None" = None,
    ) -> None:
        self.interrupts = Interrupts(clock)
        self.Pin = PinBank(clock, self.interrupts)
        self.I2C = I2CBank(clock)
        self.ADC = ADCBank(clock, gauss)
        self.disable_irq = self.interrupts.disable
        self.enable_irq = self.interrupts.enable
        self._box_id = box_id
        self._cause = PWRON_RESET

    def unique_id(self) -> bytes:
        """Eight bytes that no other board has."""
        return self._box_id

    def reset_cause(self) -> int:
        """Why the processor last started: PWRON_RESET, WDT_RESET or SOFT_RESET."""
        return self._cause

    def freq(self) -> int:
        """Clock of the processor in Hz."""
        return 125_000_000

    def restart(self, cause: int = PWRON_RESET) -> None:
        """Reset the processor: pins float, interrupts forget, parts go on."""
        self._cause = cause
        self.interrupts.reset()
        self.Pin.reset()
