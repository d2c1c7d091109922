"""A virtual sensor box: the real firmware on stand-in hardware in virtual time."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable
from typing import Final

from . import fault_actions
from .clock import VirtualClock
from .faults import Fault
from .firmware_image import App, load_firmware
from .link import VirtualLink
from .options import BoxOptions
from .parts.bench import Bench
from .parts.machine import PWRON_RESET, Machine
from .storage import VirtualStorage
from .world import World

LONGEST_JUMP_US: Final = 50_000
SHORTEST_JUMP_US: Final = 5
BOOT_US: Final = 150_000
"""From power to the first step of the app.  The grace period of a real box is
left out: nobody types Ctrl-C at a virtual one."""


class VirtualBox:
    """One box with its world.

    Time passes only in ``run_until``.  Public for tests and tools: ``world``
    (the truth), ``bench`` (the parts), ``link``, ``storage``, ``machine``,
    ``clock``, ``boots_total``.
    """

    def __init__(self, options: BoxOptions | None = None) -> None:
        self.options = options or BoxOptions()
        world = self.options.world
        seed = f"{world.machine.name}/{world.seed}"
        self.clock = VirtualClock(ticks_offset_us=self.options.ticks_offset_us)
        self.world = World(world)
        noise = random.Random(f"{seed}/noise")
        box_id = hashlib.sha256(seed.encode()).digest()[:8]
        self.machine = Machine(self.clock, box_id, noise.gauss)
        draw = random.Random(f"{seed}/parts")
        self.bench = Bench(
            self.clock,
            self.machine,
            self.world,
            gauss=noise.gauss,
            rate_sps=self.options.rate_sps,
            # "80" is 80 to 94 on real parts: each chip has its own clock.
            clock_errors=(draw.uniform(0.0, 0.175), draw.uniform(0.0, 0.175)),
        )
        self.link = VirtualLink(self.clock, random.Random(f"{seed}/link"))
        self.storage = VirtualStorage(self.options.flash)
        self.boots_total = 0
        self._firmware = load_firmware()
        self._entropy = random.Random(f"{seed}/boot")
        self._app: App | None = None
        self._idle_until_us = 0
        self._power = 0
        for fault in self.options.faults:
            self.plan(fault)
        self._boot(PWRON_RESET)

    @property
    def now_us(self) -> int:
        """Virtual time by the box's own clock, in us since the world began."""
        return self.clock.now_us

    @property
    def load_pins(self) -> tuple[tuple[int, int], ...]:
        """DOUT and PD_SCK pin numbers of each amplifier, from the firmware's board."""
        return self._firmware.load_pins

    @property
    def powered(self) -> bool:
        """Whether the processor has its supply."""
        return self._power > 0

    # --- life -----------------------------------------------------------------------------

    def power_off(self) -> None:
        """Take the supply away from processor and parts."""
        self._power = 0
        self._app = None
        self.bench.power_off()
        self.machine.restart(PWRON_RESET)

    def power_on(self) -> None:
        """Give the supply back: everything starts anew, only the flash remembers."""
        self.bench.power_on()
        self._boot(PWRON_RESET)

    def reboot(self, cause: int = PWRON_RESET) -> None:
        """Restart the processor; the parts keep their supply."""
        self._app = None
        self._boot(cause)

    def _boot(self, cause: int) -> None:
        self.boots_total += 1
        self._power = self.boots_total
        self.machine.restart(cause)
        self.link.restart()
        boot = self.boots_total

        def start() -> None:
            if self._power == boot:
                self._start_app()

        self.clock.schedule_at(self.clock.now_us + BOOT_US, start)

    def _start_app(self) -> None:
        board = self._firmware.build(self.machine, self.clock, self._entropy.randbytes)
        self._app = self._firmware.start(board, self.link, self.clock, self.storage)

    # --- faults ----------------------------------------------------------------------------

    def plan(self, fault: Fault) -> None:
        """Let a fault strike at its time (at once when that is past) and end at its time."""
        start_us = max(self.clock.now_us, round(fault.start_seconds * 1e6))
        self.clock.schedule_at(start_us, self._action(fault_actions.begin, fault))
        if fault.duration_seconds is not None:
            end_us = start_us + round(fault.duration_seconds * 1e6)
            self.clock.schedule_at(end_us, self._action(fault_actions.end, fault))

    def end_fault(self, fault: Fault) -> None:
        """Take a fault away now."""
        fault_actions.end(self, fault)

    def _action(self, act: Callable[[VirtualBox, Fault], None], fault: Fault) -> Callable[[], None]:
        return lambda: act(self, fault)

    # --- time --------------------------------------------------------------------------------

    def run_until(self, target_us: int, until_bytes: int = 0) -> None:
        """Let time pass until ``target_us``, or until so many bytes wait for the host.

        A cable pulled out ends the wait for bytes too.  0 bytes: only time counts.
        """
        clock, link = self.clock, self.link
        while clock.now_us < target_us:
            if until_bytes and (link.waiting >= until_bytes or not link.connected):
                return
            if clock.now_us < self._idle_until_us:
                self._idle(target_us)
            elif self._app is None:
                clock.advance_to(min(clock.next_due_us, target_us))
            elif not self._app.step() and self._app is not None:
                idle_us = max(SHORTEST_JUMP_US, min(self._app.idle_us(), LONGEST_JUMP_US))
                self._idle_until_us = clock.now_us + idle_us

    def _idle(self, target_us: int) -> None:
        """Jump over time in which the app has nothing to do.

        Stopping at ``target_us`` does not wake the app: where the owner of the
        box cuts time up must not change what the box does.
        """
        clock = self.clock
        stop_us = min(self._idle_until_us, clock.next_due_us, target_us)
        if clock.next_due_us <= stop_us:
            self._idle_until_us = 0  # something happens: look at once
        clock.advance_to(stop_us)
