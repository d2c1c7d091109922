"""What each fault does to a virtual box, and how it is undone."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from .faults import Fault
from .parts.machine import WDT_RESET
from .parts.pins import Pin

if TYPE_CHECKING:
    from .box import VirtualBox

BETWEEN_READINGS_US: Final = 500
FAR_OUT_VOLTS: Final = 1.0
FIELD_MISSING: Final = 0.0
FIELD_WEAK: Final = 0.2
FIELD_STRONG: Final = 5.0
FIELD_IDEAL: Final = 1.0

Action = Callable[["VirtualBox", Fault], None]


def begin(box: VirtualBox, fault: Fault) -> None:
    """Let the fault strike."""
    _ACTIONS[fault.name][0](box, fault)


def end(box: VirtualBox, fault: Fault) -> None:
    """Take the fault away."""
    _ACTIONS[fault.name][1](box, fault)


def _nothing(box: VirtualBox, fault: Fault) -> None:
    del box, fault


def _unplug(box: VirtualBox, fault: Fault) -> None:
    del fault
    box.link.connect(False)
    box.power_off()


def _plug(box: VirtualBox, fault: Fault) -> None:
    del fault
    box.link.connect(True)
    box.power_on()


def _connect(connected: bool) -> Action:
    return lambda box, _fault: box.link.connect(connected)


def _reboot(box: VirtualBox, fault: Fault) -> None:
    del fault
    box.reboot(WDT_RESET)


def _deaf(deaf: bool) -> Action:
    def act(box: VirtualBox, fault: Fault) -> None:
        del fault
        box.link.host_takes = not deaf

    return act


def _corrupt(box: VirtualBox, fault: Fault) -> None:
    box.link.corrupt(fault.value)


def _sound(box: VirtualBox, fault: Fault) -> None:
    del fault
    box.link.corrupt(0.0)


def _data_pin(box: VirtualBox, fault: Fault) -> Pin:
    return box.machine.Pin.wire(box.load_pins[fault.channel][0])


def _hold_data(level: int | None) -> Action:
    return lambda box, fault: _data_pin(box, fault).hold(level)


def _hold_clock(level: int | None) -> Action:
    def act(box: VirtualBox, fault: Fault) -> None:
        box.machine.Pin.wire(box.load_pins[fault.channel][1]).hold(level)

    return act


def _sever_clock(severed: bool) -> Action:
    def act(box: VirtualBox, fault: Fault) -> None:
        box.machine.Pin.wire(box.load_pins[fault.channel][1]).severed = severed

    return act


def _pulse(box: VirtualBox, fault: Fault) -> None:
    """One pulse too many on the clock line, as soon as no reading is under way."""
    amplifier, clock = box.bench.amplifiers[fault.channel], box.clock
    if not amplifier.was_read:
        clock.schedule_at(clock.now_us + BETWEEN_READINGS_US, lambda: _pulse(box, fault))
        return
    amplifier.clock_changed(1, clock.now_us)
    amplifier.clock_changed(0, clock.now_us + 1)


def _chip_reset(box: VirtualBox, fault: Fault) -> None:
    box.bench.amplifiers[fault.channel].power_on()


def _missed(box: VirtualBox, fault: Fault) -> None:
    box.bench.amplifiers[fault.channel].skip_next()


def _torn(box: VirtualBox, fault: Fault) -> None:
    box.bench.amplifiers[fault.channel].tear_next()


def _offset(volts: float) -> Action:
    def act(box: VirtualBox, fault: Fault) -> None:
        box.bench.amplifiers[fault.channel].offset_volts = volts

    return act


def _field(strength: float) -> Action:
    def act(box: VirtualBox, fault: Fault) -> None:
        del fault
        box.bench.angle_sensor.field = strength

    return act


def _bus(name: str, value: bool) -> Action:
    def act(box: VirtualBox, fault: Fault) -> None:
        del fault
        setattr(box.bench.angle_wires, name, value)

    return act


def _wiper(is_open: bool) -> Action:
    def act(box: VirtualBox, fault: Fault) -> None:
        del fault
        box.bench.roller.open_wiper = is_open

    return act


def _button(pressed: bool) -> Action:
    return lambda box, _fault: box.bench.button.set(pressed)


def _flash(full: bool) -> Action:
    def act(box: VirtualBox, fault: Fault) -> None:
        del fault
        box.storage.full = full

    return act


_ACTIONS: Final[dict[str, tuple[Action, Action]]] = {
    "unplug": (_unplug, _plug),
    "cable": (_connect(False), _connect(True)),
    "reboot": (_reboot, _nothing),
    "deaf": (_deaf(True), _deaf(False)),
    "corrupt": (_corrupt, _sound),
    "data_high": (_hold_data(1), _hold_data(None)),
    "data_low": (_hold_data(0), _hold_data(None)),
    "clock_cut": (_sever_clock(True), _sever_clock(False)),
    "clock_low": (_hold_clock(0), _hold_clock(None)),
    "clock_high": (_hold_clock(1), _hold_clock(None)),
    "clock_pulse": (_pulse, _nothing),
    "chip_reset": (_chip_reset, _nothing),
    "missed": (_missed, _nothing),
    "torn": (_torn, _nothing),
    "saturate_high": (_offset(FAR_OUT_VOLTS), _offset(0.0)),
    "saturate_low": (_offset(-FAR_OUT_VOLTS), _offset(0.0)),
    "magnet_missing": (_field(FIELD_MISSING), _field(FIELD_IDEAL)),
    "magnet_weak": (_field(FIELD_WEAK), _field(FIELD_IDEAL)),
    "magnet_strong": (_field(FIELD_STRONG), _field(FIELD_IDEAL)),
    "bus_fail": (_bus("failing", True), _bus("failing", False)),
    "bus_stuck": (_bus("stuck", True), _bus("stuck", False)),
    "open_wiper": (_wiper(True), _wiper(False)),
    "button": (_button(True), _button(False)),
    "flash_full": (_flash(True), _flash(False)),
}
