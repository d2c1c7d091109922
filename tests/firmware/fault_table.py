"""Every fault that the box must report, injected at the pins: its flag, counter and finding.

What each does to a real part: HX711 data sheet, AS5600 data sheet, and reports
of users (tests/reference).  ``python tests/firmware/fault_table.py`` prints the
table of firmware/README.md; a test holds the two against each other.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from firmware.rig import Rig
from steelyard.simulator.parts.quadrature import QuadratureEncoder
from steelyard_protocol import codec, records
from steelyard_protocol.records import SampleFlags as Flag
from steelyard_protocol.records import SelfTestFindings as Finding

DATA, SCK = 2, 3
FLAG_TOTALS = "flag_totals"
IN_THE_SAMPLE = "invalid_transitions_total"
IN_A_SETTING = "damaged_total"

Strike = Callable[[Rig], None]


@dataclass(frozen=True)
class Fault:
    """How one fault is injected and all that tells of it.

    ``flag``: on samples of ``channel``; 0 where no sample is at fault, then ``shows`` says what
    tells of it instead.  ``counter``: a field of the status, `FLAG_TOTALS`, `IN_THE_SAMPLE` or
    `IN_A_SETTING`.  ``code``: the check-up's finding.
    ``lasting``: the fault stays, and the self-test finds ``finding``; ``valued``: counts go with
    the flag.  ``rig``, ``roller``: the box it takes; ``settle_ms``: how long is watched afterwards.
    """

    strike: Strike
    flag: int
    counter: str
    code: str
    channel: int = 0
    finding: int = 0
    valued: bool = False
    lasting: bool = False
    shows: str = ""
    rig: dict[str, Any] = field(default_factory=dict)
    roller: str = "potentiometer"
    settle_ms: int = 1100

    @property
    def signs(self) -> str:
        """What tells of it, in words: flags by name, or something else."""
        names = [item.name for item in Flag if self.flag & item and item.name]
        return " + ".join(f"`{name.lower()}`" for name in names) or self.shows


def _hold(pin: int, level: int) -> Strike:
    return lambda rig: rig.machine.Pin.wire(pin).hold(level)


def _sever(pin: int) -> Strike:
    return lambda rig: setattr(rig.machine.Pin.wire(pin), "severed", True)


def _input(ratio: float) -> Strike:
    def strike(rig: Rig) -> None:
        rig.feel.ratios[0] = ratio

    return strike


def _wires(name: str) -> Strike:
    return lambda rig: setattr(rig.bench.angle_wires, name, True)


def _field(strength: float) -> Strike:
    return lambda rig: setattr(rig.bench.angle_sensor, "field", strength)


def _open_wiper(rig: Rig) -> None:
    rig.bench.roller.open_wiper = True


def reset_in_mid_read(rig: Rig) -> None:
    amplifier = rig.bench.amplifiers[0]
    rises: list[int] = []

    def watch(level: int, now_us: float) -> None:
        rises.append(level)
        if sum(rises) == 9:
            amplifier.power_on()
        else:
            amplifier.clock_changed(level, now_us)

    rig.machine.Pin.wire(SCK).on_write = watch


def extra_pulse(rig: Rig) -> None:
    amplifier = rig.bench.amplifiers[0]
    for _ in range(200):
        if amplifier.was_read:
            break
        rig.run_ms(0.1)
    amplifier.clock_changed(1, rig.clock.now_us)
    amplifier.clock_changed(0, rig.clock.now_us + 1)


def _torn(rig: Rig) -> None:
    rig.bench.amplifiers[0].tear_next(0x3FFFFF)


def _missed(rig: Rig) -> None:
    rig.bench.amplifiers[0].skip_next()


def _other_gain(rig: Rig) -> None:
    rig.send(records.StopStream(7))
    rig.send(records.WriteSetting(8, records.SettingKey.LOAD_GAIN, 0, 64, bytes(16)))
    rig.send(records.StartStream(9))


def _jump(rig: Rig) -> None:
    # Both lines at the same moment: no interrupt may see one without the other.
    encoder = QuadratureEncoder(rig.machine.Pin.wire(6), rig.machine.Pin.wire(7))
    state = rig.machine.disable_irq()
    encoder.jump_to(encoder.position + 2)
    rig.machine.enable_irq(state)


def _not_reading(rig: Rig) -> None:
    rig.run_ms(100)  # a gap is between two samples: each channel has its first
    rig.port.slots = 8
    rig.run_ms(60_000)
    rig.port.slots = None


def _host_gone(rig: Rig) -> None:
    """It had taken half a frame and sent half a request."""
    rig.port.to_box += codec.encode(records.Identify(5))[:4]
    rig.run_ms(100)
    del rig.port.to_host[: 5 * 32 + 13]
    rig.run_ms(400)
    rig.send(records.Identify(6))  # the next host
    rig.run_ms(50)


def _modem_probe(rig: Rig) -> None:
    rig.port.to_box += b"AT\r\nAT+CGMI\r\n"
    rig.run_ms(300)
    rig.port.to_box += b"\x03\x03\x04\r\n" + bytes(range(1, 256))
    rig.run_ms(300)
    rig.send(records.ReadClock(77))


def _power_cut(rig: Rig) -> None:
    """In the middle of storing a setting; then the box starts anew."""
    key = records.SettingKey.STATUS_PERIOD_MS
    rig.ask(records.StopStream(7))
    rig.ask(records.WriteSetting(8, key, 255, 499, bytes(16)))
    rig.files.cut = 40  # each byte in turn: test_settings.py
    rig.ask(records.WriteSetting(9, key, 255, 498, bytes(16)))
    rig.files.cut = None
    rig.restart()
    (setting,) = rig.ask(records.ReadSetting(10, key, 255))
    if setting.number != 499:
        raise AssertionError(f"neither old nor new: {setting}")
    rig.start()


FAULTS = {
    "DOUT stuck high": Fault(
        _hold(DATA, 1),
        Flag.NO_CONVERSION,
        "no_conversion_total",
        "no_conversion",
        finding=Finding.NO_CONVERSION,
        lasting=True,
    ),
    "DOUT stuck low": Fault(
        _hold(DATA, 0),
        Flag.DESYNC,
        "desync_total",
        "desync",
        finding=Finding.DESYNC,
        lasting=True,
    ),
    "SCK line cut": Fault(
        _sever(SCK),
        Flag.DESYNC,
        "desync_total",
        "desync",
        finding=Finding.DESYNC,
        lasting=True,
    ),
    "SCK shorted to ground": Fault(
        _hold(SCK, 0),
        Flag.DESYNC | Flag.LINE_HELD,
        "desync_total",
        "clock_line_shorted",
        finding=Finding.DESYNC | Finding.LINE_HELD,
        lasting=True,
    ),
    "SCK shorted to the supply": Fault(
        _hold(SCK, 1),
        Flag.NO_CONVERSION | Flag.LINE_HELD,
        "no_conversion_total",
        "clock_line_shorted",
        finding=Finding.NO_CONVERSION | Finding.LINE_HELD,
        lasting=True,
    ),
    "amplifier reset in mid-read": Fault(
        reset_in_mid_read, Flag.SUSPECT, "discarded_total", "torn_reads", valued=True
    ),
    "pulse too many on SCK": Fault(
        extra_pulse, Flag.SUSPECT, "discarded_total", "extra_clock_pulses", valued=True
    ),
    "torn read": Fault(_torn, Flag.SUSPECT, FLAG_TOTALS, "torn_reads", valued=True),
    "saturated high": Fault(
        _input(1.0),
        Flag.SATURATED_HIGH,
        "saturated_total",
        "saturated_high",
        finding=Finding.SATURATED | Finding.STUCK,
        valued=True,
        lasting=True,
    ),
    "saturated low": Fault(
        _input(-1.0),
        Flag.SATURATED_LOW,
        "saturated_total",
        "saturated_low",
        finding=Finding.SATURATED | Finding.STUCK,
        valued=True,
        lasting=True,
    ),
    "gain other than calibrated": Fault(
        _other_gain, Flag.SETTLING, "discarded_total", "wrong_gain", valued=True
    ),
    "10 conversions a second for 80": Fault(
        lambda rig: None,
        0,
        "conversions_total",
        "rate_pin_low",
        shows="self-test `wrong_rate`",
        rig={"rate_sps": 10},
        settle_ms=2500,
    ),
    "conversion missed": Fault(
        _missed, Flag.LATE_READ, "late_read_total", "late_reads", valued=True
    ),
    "I2C not acknowledged": Fault(
        _wires("failing"),
        Flag.BUS_ERROR,
        "bus_error_total",
        "bus_error",
        channel=2,
        finding=Finding.BUS_ERROR,
        lasting=True,
    ),
    "SDA stuck low": Fault(
        _wires("stuck"),
        Flag.BUS_ERROR | Flag.LINE_HELD,
        "bus_error_total",
        "bus_held",
        channel=2,
        finding=Finding.BUS_ERROR | Finding.LINE_HELD,
        lasting=True,
    ),
    "magnet absent": Fault(
        _field(0.0),
        Flag.MAGNET_MISSING,
        FLAG_TOTALS,
        "magnet_missing",
        channel=2,
        finding=Finding.MAGNET_FAULT,
        lasting=True,
    ),
    "magnet weak": Fault(
        _field(0.1),
        Flag.MAGNET_WEAK,
        FLAG_TOTALS,
        "magnet_weak",
        channel=2,
        finding=Finding.MAGNET_FAULT,
        valued=True,
        lasting=True,
    ),
    "magnet strong": Fault(
        _field(9.0),
        Flag.MAGNET_STRONG,
        FLAG_TOTALS,
        "magnet_strong",
        channel=2,
        finding=Finding.MAGNET_FAULT,
        valued=True,
        lasting=True,
    ),
    "roller encoder jump": Fault(
        _jump,
        Flag.SUSPECT,
        IN_THE_SAMPLE,
        "invalid_transitions",
        channel=3,
        valued=True,
        roller="quadrature",
    ),
    "potentiometer's wiper open": Fault(
        _open_wiper,
        Flag.OPEN_CIRCUIT,
        FLAG_TOTALS,
        "open_circuit",
        channel=3,
        finding=Finding.OPEN_CIRCUIT,
        lasting=True,
    ),
    "host does not read for 60 s": Fault(
        _not_reading,
        0,
        "dropped_total",
        "samples_dropped",
        shows="gap in `sequence`",
    ),
    "host gone in mid-frame": Fault(
        _host_gone,
        0,
        "garbage_bytes_total",
        "corrupt_frames",
        shows="corrupt frame",
    ),
    "garbage and AT text": Fault(
        _modem_probe,
        0,
        "garbage_bytes_total",
        "garbage_received",
        shows="no answer; the next request has one",
    ),
    "power cut while a setting is stored": Fault(
        _power_cut,
        0,
        IN_A_SETTING,
        "settings_damaged",
        shows="new `boot_id`; old or new setting, whole",
    ),
}


def table() -> str:
    """For people: a row for each fault."""
    rows = [
        f"| {name} | {fault.signs} | `{fault.counter}` | `{fault.code}` |"
        for name, fault in FAULTS.items()
    ]
    head = ["| fault | shows as | counter | finding of the check-up |", "| --- | --- | --- | --- |"]
    return "\n".join([*head, *rows])


if __name__ == "__main__":
    print(table())
