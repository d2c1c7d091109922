"""The virtual box as a port: time, reading, losing it and joining it again."""

from __future__ import annotations

import threading
import time

import pytest
from pytest_mock import MockerFixture
from steelyard.errors import DeviceDisconnectedError, DeviceNotFoundError, SimulatorOptionError
from steelyard.simulator.port import SimulatedPort, open_simulated_port
from steelyard.transport.port import Reopenable, Transport
from steelyard_protocol.codec import encode
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.records import ClockReading, LoadSample, ReadClock, StartStream


def started(text: str) -> SimulatedPort:
    port = open_simulated_port(text)
    for _ in range(3):
        port.read(0.1)
    port.write(encode(StartStream(correlation_id=1)))
    port.read(0.1)
    return port


def read_on(port: SimulatedPort) -> None:
    for _ in range(10_000):
        port.read(0.1)


def virtual_seconds(port: SimulatedPort) -> float:
    return port.box.now_us / 1e6


def test_it_is_a_transport() -> None:
    port = open_simulated_port("heron?speed=max")
    assert isinstance(port, Transport)
    assert isinstance(port, Reopenable)
    assert port.description == "sim:heron?speed=max"


def test_the_transport_package_opens_it() -> None:
    from steelyard.transport.opening import open_transport

    with open_transport("sim:wren?speed=max") as port:
        assert isinstance(port, SimulatedPort)
        assert port.world.machine.truth.name == "wren"


def test_bad_options_are_refused_on_opening() -> None:
    with pytest.raises(SimulatorOptionError):
        open_simulated_port("heron?bird=yes")


def test_a_read_returns_where_the_computer_cannot_keep_up(mocker: MockerFixture) -> None:
    """Otherwise each read makes up for the one before, and the last one never ends."""
    port = started("heron?speed=1")
    before = virtual_seconds(port)
    behind_ns = time.monotonic_ns() + 100_000_000_000
    mocker.patch("steelyard.simulator.timekeeping.time.monotonic_ns", return_value=behind_ns)
    assert port.read(0.1)
    assert virtual_seconds(port) - before == pytest.approx(1.0, abs=0.1)


def test_virtual_time_passes_only_while_reading() -> None:
    port = open_simulated_port("heron?speed=max")
    before = port.clock.monotonic_ns()
    time.sleep(0.05)
    assert port.clock.monotonic_ns() == before
    port.read(0.5)
    assert port.clock.monotonic_ns() > before


def test_a_read_without_bytes_lasts_its_timeout_in_virtual_time() -> None:
    port = open_simulated_port("heron?speed=max")
    start = virtual_seconds(port)
    assert port.read(0.05) == b""  # still booting
    assert virtual_seconds(port) - start == pytest.approx(0.05, abs=0.001)


def test_host_time_runs_with_virtual_time_and_the_stated_drift() -> None:
    port = started("heron?speed=max&drift=200")
    host, box = port.clock.monotonic_ns(), port.box.now_us
    unix = port.clock.unix_ns()
    for _ in range(100):
        port.read(0.1)
    host_seconds = (port.clock.monotonic_ns() - host) / 1e9
    box_seconds = (port.box.now_us - box) / 1e6
    assert box_seconds / host_seconds - 1.0 == pytest.approx(200e-6, rel=1e-3)
    assert port.clock.unix_ns() - unix == port.clock.monotonic_ns() - host


def test_full_speed_waits_for_nothing(mocker: MockerFixture) -> None:
    """How many times real time that is, is the computer's matter: 20 to 60 on an idle core."""
    mocker.patch("time.sleep", side_effect=AssertionError("nothing waits at full speed"))
    port = started("heron?speed=max")
    virtual = virtual_seconds(port)
    while virtual_seconds(port) - virtual < 5.0:
        port.read(1.0)


def test_full_speed_gathers_samples_but_hurries_answers() -> None:
    port = started("heron?speed=max")
    port.clock.sleep(0.2)  # until the answer to the start is no longer awaited
    port.read(1.0)
    assert len(port.read(1.0)) > 100
    port.write(encode(ReadClock(7)))
    asked = port.clock.monotonic_ns()
    decoder = StreamDecoder()
    while True:
        found = [
            event.record
            for event in decoder.feed(port.read(1.0))
            if isinstance(event, Message) and isinstance(event.record, ClockReading)
        ]
        if found:
            break
    assert port.clock.monotonic_ns() - asked < 3_000_000


def test_real_time_follows_the_wall() -> None:
    port = started("heron?task=rest")
    decoder = StreamDecoder()
    decoder.feed(port.read(0.1))
    start, samples = time.monotonic(), 0
    while time.monotonic() - start < 1.0:
        samples += sum(
            isinstance(event, Message) and isinstance(event.record, LoadSample)
            for event in decoder.feed(port.read(0.05))
        )
    rate = sum(1e6 / chip.period_us for chip in port.box.bench.amplifiers)
    assert samples == pytest.approx(rate, rel=0.1)


def test_a_speed_factor_is_kept() -> None:
    port = started("heron?task=rest&speed=8")
    wall, host = time.monotonic(), port.clock.monotonic_ns()
    box = port.box.now_us
    port.clock.sleep(4.0)
    assert time.monotonic() - wall >= 0.5  # how much later is how busy the computer is
    assert (port.clock.monotonic_ns() - host) / 1e9 >= 4.0
    box_seconds = (port.box.now_us - box) / 1e6
    assert 4.0 <= box_seconds <= (port.clock.monotonic_ns() - host) / 1e9


def test_sleep_in_virtual_time_is_virtual(mocker: MockerFixture) -> None:
    mocker.patch("time.sleep", side_effect=AssertionError("nobody waits in virtual time"))
    port = open_simulated_port("heron?speed=max")
    port.clock.sleep(5.0)
    assert virtual_seconds(port) == pytest.approx(5.0, abs=0.01)


def test_unplugging_ends_the_port_and_reopening_joins_the_same_box() -> None:
    port = started("heron?task=rest&speed=max&faults=unplug@2+3")
    with pytest.raises(DeviceDisconnectedError):
        read_on(port)
    assert virtual_seconds(port) == pytest.approx(2.0, abs=0.1)
    with pytest.raises(DeviceDisconnectedError):
        port.write(b"\0")
    with pytest.raises(DeviceNotFoundError):
        port.reopen()
    port.clock.sleep(3.1)
    again = port.reopen()
    assert again.box is port.box
    with pytest.raises(DeviceDisconnectedError):
        port.read(0.1)
    again.read(0.5)
    assert again.box.boots_total == 2


def test_a_short_unplug_between_two_reads_is_not_overlooked() -> None:
    port = started("heron?task=rest&speed=max&faults=cable@2+0.01")
    port.clock.sleep(3.0)
    with pytest.raises(DeviceDisconnectedError):
        read_on(port)


def test_looking_for_an_unplugged_box_ends_in_virtual_time() -> None:
    port = started("heron?task=rest&speed=max&faults=unplug@1+0.5")
    for _ in range(10_000):
        try:
            port.reopen()
        except DeviceNotFoundError:
            continue
        if virtual_seconds(port) > 1.5:
            break
        port.clock.sleep(0.1)
    assert virtual_seconds(port) < 2.0


def test_a_closed_port_says_so() -> None:
    with open_simulated_port("heron?speed=max") as port:
        pass
    with pytest.raises(DeviceDisconnectedError, match="closed"):
        port.read(0.1)
    with pytest.raises(DeviceDisconnectedError, match="closed"):
        port.write(b"\0")
    port.close()


def test_writing_beside_a_reading_thread_is_safe() -> None:
    port = started("heron?task=rest")
    stop = threading.Event()
    decoder = StreamDecoder()
    answers: list[int] = []

    def read() -> None:
        while not stop.is_set():
            for event in decoder.feed(port.read(0.05)):
                if isinstance(event, Message) and isinstance(event.record, ClockReading):
                    answers.append(event.record.correlation_id)

    reader = threading.Thread(target=read)
    reader.start()
    for number in range(50):
        port.write(encode(ReadClock(number)))
        time.sleep(0.005)
    time.sleep(0.2)
    stop.set()
    reader.join()
    assert answers == list(range(50))


def test_weights_can_be_hung_by_call() -> None:
    port = started("heron?task=weights&speed=max")
    port.world.hang(20.0)
    port.clock.sleep(12.0)
    port.box.link.discard()
    truth = port.world.cells[0].truth
    decoder = StreamDecoder()
    counts = []
    while len(counts) < 200:
        for event in decoder.feed(port.read(0.5)):
            if (
                isinstance(event, Message)
                and isinstance(event.record, LoadSample)
                and event.record.channel == 0
            ):
                counts.append(event.record.load_counts)
    force = truth.force_newtons(sum(counts) / len(counts))
    assert force == pytest.approx(port.world.weights.still_newtons(20.0), abs=1.0)
