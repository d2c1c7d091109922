"""Pins, interrupts, I2C, converter, quadrature and button stand-ins."""

from __future__ import annotations

import random
import statistics

import pytest
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.parts.bench import LOAD_PINS, Bench, Inputs
from steelyard.simulator.parts.button import Button
from steelyard.simulator.parts.i2c import DEFAULT_TIMEOUT_US
from steelyard.simulator.parts.machine import WDT_RESET, Machine
from steelyard.simulator.parts.pins import Pin
from steelyard.simulator.parts.potentiometer import Potentiometer
from steelyard.simulator.parts.quadrature import QuadratureEncoder


class Fixture:
    """A machine with a clock and a record of interrupts."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.machine = Machine(self.clock)
        self.edges: list[int] = []

    def watch(self, number: int, trigger: int) -> Pin:
        pin = self.machine.Pin(number, Pin.IN)
        pin.irq(handler=lambda _pin: self.edges.append(self.clock.now_us), trigger=trigger)
        return pin


@pytest.fixture
def bench() -> Fixture:
    return Fixture()


def test_pulls_decide_an_undriven_level(bench: Fixture) -> None:
    assert bench.machine.Pin(7, Pin.IN, Pin.PULL_UP).value() == 1
    assert bench.machine.Pin(8, Pin.IN, Pin.PULL_DOWN).value() == 0
    bench.machine.Pin.wire(7).drive(0)
    assert bench.machine.Pin(7).value() == 0


def test_one_number_is_one_wire(bench: Fixture) -> None:
    out = bench.machine.Pin(3, Pin.OUT, value=1)
    assert bench.machine.Pin(3) is out
    assert out() == 1
    out.low()
    assert out.value() == 0
    out.high()
    assert out.value() == 1


def test_a_pin_operation_costs_time(bench: Fixture) -> None:
    pin = bench.machine.Pin(3, Pin.OUT)
    before = bench.clock.now_us
    pin.value(1)
    pin.value()
    assert bench.clock.now_us == before + 2 * bench.clock.pin_cost_us


def test_edges_call_the_handler_at_their_time(bench: Fixture) -> None:
    pin = bench.watch(2, Pin.IRQ_FALLING)
    pin.drive(1)
    bench.clock.schedule_at(500, lambda: pin.drive(0))
    bench.clock.schedule_at(700, lambda: pin.drive(1))
    bench.clock.advance_to(1000)
    assert bench.edges == [500]
    assert bench.clock.now_us == 1000


def test_edges_wait_while_interrupts_are_off_and_are_latched_once(bench: Fixture) -> None:
    pin = bench.watch(2, Pin.IRQ_FALLING | Pin.IRQ_RISING)
    state = bench.machine.disable_irq()
    for level in (1, 0, 1):
        pin.drive(level)
    assert bench.edges == []
    bench.machine.enable_irq(state)
    assert len(bench.edges) == 1


def test_a_handler_is_not_interrupted_by_another(bench: Fixture) -> None:
    order: list[str] = []
    second = bench.machine.Pin(3, Pin.IN)
    second.irq(handler=lambda _pin: order.append("second"), trigger=Pin.IRQ_RISING)
    first = bench.machine.Pin(2, Pin.IN)

    def handler(_pin: Pin) -> None:
        second.drive(1)
        order.append("first ends")

    first.irq(handler=handler, trigger=Pin.IRQ_RISING)
    first.drive(1)
    assert order == ["first ends", "second"]


def test_a_held_wire_ignores_everybody_and_recovers(bench: Fixture) -> None:
    wire = bench.machine.Pin.wire(2)
    wire.drive(1)
    wire.hold(0)
    wire.drive(1)
    assert wire.level == 0
    wire.hold(None)
    assert wire.level == 1


def test_a_cut_output_does_not_reach_the_part(bench: Fixture) -> None:
    wire = bench.machine.Pin(3, Pin.OUT, value=0)
    heard: list[int] = []
    wire.on_write = lambda level, _now_us: heard.append(level)
    wire.hold(0)
    wire.value(1)
    assert heard == []


def test_restart_takes_handlers_away_and_keeps_parts(bench: Fixture) -> None:
    pin = bench.watch(2, Pin.IRQ_FALLING)
    pin.drive(1)
    bench.machine.restart(WDT_RESET)
    pin.drive(0)
    assert bench.edges == []
    assert bench.machine.reset_cause() == WDT_RESET


def test_transfer_time_follows_the_bus_clock(bench: Fixture) -> None:
    Bench(bench.clock, bench.machine, Inputs())
    bus = bench.machine.I2C(0, freq=400_000)
    before = bench.clock.now_us
    bus.readfrom_mem(0x36, 0x0B, 3)
    # Address, register, address again, three data: six bytes of nine bits at 2.5 us.
    assert bench.clock.now_us - before == 135


def test_nobody_at_an_address_is_an_os_error(bench: Fixture) -> None:
    bus = bench.machine.I2C(0)
    with pytest.raises(OSError, match="5"):
        bus.readfrom_mem(0x36, 0, 1)
    assert bus.scan() == []


def test_a_stuck_bus_takes_the_time_limit(bench: Fixture) -> None:
    Bench(bench.clock, bench.machine, Inputs())
    bench.machine.I2C.wires(0).stuck = True
    before = bench.clock.now_us
    with pytest.raises(OSError, match="110"):
        bench.machine.I2C(0).readfrom_mem(0x36, 0x0B, 3)
    assert bench.clock.now_us - before == DEFAULT_TIMEOUT_US


def test_converter_is_right_in_the_mean_and_noisy_in_each_reading(bench: Fixture) -> None:
    machine = Machine(bench.clock, gauss=random.Random(5).gauss)
    machine.ADC.sources[0] = Potentiometer(lambda _at_us: 0.30)
    converter = machine.ADC(machine.Pin(26))
    values = [converter.read_u16() for _ in range(2000)]
    assert statistics.mean(values) / 65535 == pytest.approx(0.30, abs=0.0005)
    # 12 bits less about 3: an effective 8.7 bits leave some 2.5 steps of noise
    # (DESIGN: measured on the RP2040; common practice for how bits are counted).
    assert statistics.stdev(values) / 16 == pytest.approx(2.5, rel=0.1)


def test_converter_has_wide_codes(bench: Fixture) -> None:
    seen = set()
    for step in range(500, 530):
        machine = Machine(bench.clock)
        machine.ADC.sources[0] = Potentiometer(lambda _at_us, step=step: step / 4095)  # type: ignore[misc]
        seen.add(machine.ADC(26).read_u16() >> 4)
    assert 512 in seen
    assert 515 not in seen


def test_open_wiper_lies_at_the_rail(bench: Fixture) -> None:
    wiper = Potentiometer(lambda _at_us: 0.5)
    bench.machine.ADC.sources[0] = wiper
    wiper.open_wiper = True
    assert bench.machine.ADC(26).read_u16() < 0.005 * 65535


def test_core_temperature_follows_its_formula(bench: Fixture) -> None:
    Bench(bench.clock, bench.machine, Inputs())
    volts = bench.machine.ADC(bench.machine.ADC.CORE_TEMP).read_u16() / 65535 * 3.3
    assert volts == pytest.approx(0.706, abs=0.001)


def test_quadrature_changes_one_wire_at_a_time(bench: Fixture) -> None:
    a, b = bench.machine.Pin.wire(6), bench.machine.Pin.wire(7)
    encoder = QuadratureEncoder(a, b)
    states = [(a.level, b.level)]
    for position in range(1, 5):
        encoder.move_to(position)
        states.append((a.level, b.level))
    assert states == [(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)]
    encoder.move_to(3)
    assert (a.level, b.level) == (0, 1)


def test_quadrature_passes_every_state_and_a_jump_does_not(bench: Fixture) -> None:
    a, b = bench.watch(6, Pin.IRQ_FALLING | Pin.IRQ_RISING), bench.machine.Pin.wire(7)
    encoder = QuadratureEncoder(a, b)
    encoder.move_to(8)
    assert len(bench.edges) == 4
    encoder.jump_to(10)  # both wires change
    assert (a.level, b.level) == (1, 1)


def test_button_bounces_and_then_stays(bench: Fixture) -> None:
    pin = bench.machine.Pin(15, Pin.IN, Pin.PULL_UP)
    button = Button(bench.clock, pin)
    pin.irq(handler=lambda _pin: bench.edges.append(pin.level))
    button.set(True)
    bench.clock.sleep_ms(10)
    assert pin.value() == 0
    assert len(bench.edges) > 3
    button.set(False)
    bench.clock.sleep_ms(10)
    assert pin.value() == 1


def test_the_bench_is_wired_as_the_firmware_expects() -> None:
    from steelyard.simulator.box import VirtualBox
    from steelyard.simulator.firmware_image import load_firmware

    assert load_firmware().load_pins == LOAD_PINS
    box = VirtualBox()
    assert box.load_pins == LOAD_PINS
