"""Stand-in for MicroPython's `rp2` module: the RP2040's programmable I/O."""

from .pio_machine import StateMachine
from .pio_program import PIO, asm_pio

__all__ = ("PIO", "StateMachine", "asm_pio")
