"""The firmware asks the port for nothing that MicroPython 1.28 on the RP2040 does not have."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from typing import Any

import board
import pytest
from box.app import App
from firmware.pio_rig import _BY_STATE_MACHINE
from firmware.rig import Feel, Files, HostEnd
from firmware.strict_port import PortError, SoftMachine, StrictMachine, StrictRp2
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.parts.bench import Bench
from steelyard.simulator.parts.machine import Machine
from steelyard_protocol import codec, records
from steelyard_protocol.decoder import Message, StreamDecoder

WATCHDOG_REASON = 0x40058008  # RP2040 data sheet, section 4.7.6: bit 0 TIMER, bit 1 FORCE


@pytest.fixture
def strict_rp2() -> Iterator[StrictRp2]:
    """`rp2` for what is imported meanwhile."""
    strict = StrictRp2()
    for name in _BY_STATE_MACHINE:
        sys.modules.pop(name, None)
    sys.modules["rp2"] = strict  # type: ignore[assignment]
    yield strict
    for name in ("rp2", *_BY_STATE_MACHINE):
        sys.modules.pop(name, None)


def _streamed(
    port_of: Callable[[Machine], StrictMachine] = StrictMachine, cause: int = 1
) -> list[Any]:
    """A second of a box with all its channels on the strict port."""
    clock = VirtualClock()
    machine = Machine(clock)
    machine.restart(cause)
    Bench(clock, machine, Feel())
    strict = port_of(machine)
    port = HostEnd()
    app = App(board.build(strict, clock, random_bytes=bytes), port, clock, Files())
    port.to_box += codec.encode(records.StartStream(300))
    while clock.now_us < 1_000_000:
        if not app.step():
            clock.advance_to(max(clock.now_us + 1, min(clock.next_due_us, clock.now_us + 100)))
    events = list(StreamDecoder().feed(bytes(port.to_host)))
    assert all(isinstance(event, Message) for event in events)
    return [event.record for event in events if isinstance(event, Message)]


@pytest.mark.parametrize(
    ("arm", "roller"),
    [
        ("as5600", "potentiometer"),
        ("as5600", "as5600"),
        ("as5600", "quadrature"),
        ("potentiometer", "potentiometer"),
        ("quadrature", "as5600"),
    ],
)
@pytest.mark.parametrize("state_machines", [False, True], ids=["by hand", "by state machine"])
def test_every_box_that_board_py_can_describe_runs(
    monkeypatch: pytest.MonkeyPatch,
    strict_rp2: StrictRp2,
    arm: str,
    roller: str,
    state_machines: bool,
) -> None:
    monkeypatch.setattr(board, "ARM_SENSOR", arm)
    monkeypatch.setattr(board, "ROLLER_SENSOR", roller)
    monkeypatch.setattr(board, "USE_STATE_MACHINES", state_machines)
    found = _streamed()
    channels = {getattr(record, "channel", None) for record in found}
    assert channels >= {0, 1, 2, 3}
    loads = [record for record in found if isinstance(record, records.LoadSample)]
    assert len(loads) > 100


def test_with_an_index_line_too(monkeypatch: pytest.MonkeyPatch, strict_rp2: StrictRp2) -> None:
    monkeypatch.setattr(board, "ROLLER_SENSOR", "quadrature")
    monkeypatch.setattr(board, "ENCODER_INDEX_PIN", 8)
    assert len(_streamed()) > 100


@pytest.mark.parametrize(
    ("cause", "reason", "told"),
    [
        (1, 0, records.ResetCause.POWER_ON),
        (3, 1, records.ResetCause.WATCHDOG),
        (3, 2, records.ResetCause.SOFT),  # machine.reset(): the port calls it a watchdog's
    ],
)
def test_a_reset_that_was_asked_for_is_not_told_as_a_hang(
    cause: int, reason: int, told: records.ResetCause
) -> None:
    found = _streamed(lambda machine: StrictMachine(machine, {WATCHDOG_REASON: reason}), cause)
    statuses = [record for record in found if isinstance(record, records.Status)]
    assert {status.reset_cause for status in statuses} == {told}


@pytest.mark.parametrize("roller", ["potentiometer", "quadrature"])
def test_without_programmable_io_and_hard_interrupts_it_starts_all_the_same(
    monkeypatch: pytest.MonkeyPatch, roller: str
) -> None:
    # As on an ESP32, where nothing was tried: it starts, and reads every channel.
    monkeypatch.setitem(sys.modules, "rp2", None)
    monkeypatch.setattr(board, "ROLLER_SENSOR", roller)
    found = _streamed(SoftMachine, cause=3)
    channels = {getattr(record, "channel", None) for record in found}
    assert channels >= {0, 1, 2, 3}
    statuses = [record for record in found if isinstance(record, records.Status)]
    assert {status.reset_cause for status in statuses} == {records.ResetCause.WATCHDOG}


class TestTheStrictPortItself:
    """It would be no check if it let everything through."""

    def _machine(self) -> StrictMachine:
        return StrictMachine(Machine(VirtualClock()))

    def test_wrong_names_are_refused(self) -> None:
        machine = self._machine()
        with pytest.raises(PortError, match="Pin"):
            machine.Pin(2, machine.Pin.IN, pullup=True)
        with pytest.raises(PortError, match="toggle"):
            machine.Pin(2).toggle()
        with pytest.raises(PortError, match="I2C"):
            machine.I2C(0, scl=machine.Pin(21), sda=machine.Pin(20), timeout_us=5)

    def test_pins_that_cannot_do_it_are_refused(self) -> None:
        machine = self._machine()
        with pytest.raises(PortError, match="GP18 is not sda of I2C0"):
            machine.I2C(0, scl=machine.Pin(19), sda=machine.Pin(18))
        with pytest.raises(PortError, match="analogue"):
            machine.ADC(machine.Pin(25))

    def test_what_no_block_can_hold_is_refused(self) -> None:
        strict = StrictRp2()
        pin = Machine(VirtualClock()).Pin(2)

        def long_program() -> Any:
            @strict.asm_pio()
            def program() -> None:
                for _ in range(20):
                    nop()  # type: ignore[name-defined]  # noqa: F821

            return program

        strict.StateMachine(0, long_program(), 2000000, in_base=pin)
        with pytest.raises(PortError, match="40 instructions"):
            strict.StateMachine(1, long_program(), 2000000, in_base=pin)
        strict.StateMachine(4, long_program(), 2000000, in_base=pin)
        with pytest.raises(PortError, match="divider"):
            strict.StateMachine(5, long_program(), 1000, in_base=pin)
        with pytest.raises(PortError, match="join"):
            strict.asm_pio(join_fifo=1)
