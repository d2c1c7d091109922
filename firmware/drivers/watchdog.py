"""Resets the board when the main loop has stopped going round.

MicroPython has no way to stop a watchdog once it runs, and one that runs makes
the interactive prompt useless: the board resets under the hands of whoever
types.  On the RP2040 a register write stops it (data sheet, section 4.7.6:
WATCHDOG_CTRL, bit 30), so the board says which; elsewhere the way out is a
reset.
"""

TIMEOUT_MS = 8000
"""The RP2040 reaches 8388 ms; the longest thing the loop does is a flash write, well below one
second."""


class Watchdog:
    """`stop_register`: (address, value) of the write that stops it, or None."""

    def __init__(self, machine, stop_register):
        self._machine = machine
        self._stop_register = stop_register

    def start(self):
        """Run from now on; returns `feed`, to be called at least every 8 s."""
        return self._machine.WDT(timeout=TIMEOUT_MS).feed

    def stop(self):
        """Stop; where that is impossible, reset the board."""
        if self._stop_register is None:
            self._machine.reset()
            return
        address, value = self._stop_register
        self._machine.mem32[address] = value
