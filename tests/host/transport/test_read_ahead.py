"""The reading thread: nothing lost while the user is busy, nothing left behind."""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path

import pytest
from host.device.scripted_box import ScriptedBox, ScriptedPort
from host.transport.box_servers import pty_box, tcp_box
from steelyard.device import Box
from steelyard.errors import DeviceDisconnectedError, PortNameError
from steelyard.transport import Transport, open_transport
from steelyard.transport.read_ahead import ReadAheadTransport, open_read_ahead

needs_terminals = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")


def poll_forever(box: Box) -> None:
    while True:
        box.poll(1.0)


@needs_terminals
def test_a_busy_user_loses_nothing(tmp_path: Path) -> None:
    """0.5 s of 64 KB/s: eight times what a terminal keeps."""
    with pty_box(tmp_path / "box", period=0.0005) as served:
        port = ReadAheadTransport(open_transport(str(served.path)))
        with Box.open(port) as box:
            box.start_stream()
            time.sleep(0.5)
            box.stop_stream()
            assert box.counters.bytes_total > 20_000
            assert box.counters.missing_total == 0
            assert box.counters.corrupt_frames_total == 0
            assert port.high_water_bytes > 4_096


def test_it_is_a_transport_and_closes_twice() -> None:
    with tcp_box() as served:
        port = ReadAheadTransport(open_transport(served.port))
        assert isinstance(port, Transport)
        assert port.description == served.port
        assert port.read(0.01) == b""
        port.close()
        port.close()
        with pytest.raises(DeviceDisconnectedError, match="closed"):
            port.read(1.0)


def test_what_came_before_the_loss_comes_before_its_error() -> None:
    with tcp_box() as served:
        port = ReadAheadTransport(open_transport(served.port))
        with Box.open(port) as box:
            box.start_stream()
            served.hang_up()
            with pytest.raises(DeviceDisconnectedError, match="closed by the other end"):
                poll_forever(box)
            with pytest.raises(DeviceDisconnectedError):
                box.poll(1.0)


@needs_terminals
def test_a_full_queue_stops_reading_instead_of_growing(tmp_path: Path) -> None:
    with pty_box(tmp_path / "box", ScriptedBox(streaming=True), period=0.0002) as served:
        port = ReadAheadTransport(open_transport(str(served.path)), queue_bytes=1_000)
        end = time.monotonic() + 60
        while port.high_water_bytes < 1_000 and time.monotonic() < end:
            time.sleep(0.01)
        held = port.high_water_bytes
        time.sleep(0.1)
        assert port.high_water_bytes == held
        assert 1_000 <= held < 1_000 + 65_536
        assert port.read(0.1)
        assert port.read(0.5)  # the thread went on
        port.close()


def test_a_reader_that_waits_is_woken_by_closing() -> None:
    with tcp_box() as served:
        port = ReadAheadTransport(open_transport(served.port))
        closer = threading.Timer(0.05, port.close)
        closer.start()
        started = time.monotonic()
        with pytest.raises(DeviceDisconnectedError):
            port.read(30.0)
        assert time.monotonic() - started < 30.0
        closer.join()


def test_a_virtual_clock_is_not_read_ahead() -> None:
    with pytest.raises(PortNameError, match="clock of its own"):
        ReadAheadTransport(ScriptedPort(ScriptedBox()))


@needs_terminals
def test_delay_from_arrival_to_reading_is_short(tmp_path: Path) -> None:
    """Measured here: median about 0.1 ms.  A busy machine is late, but not every time."""
    with pty_box(tmp_path / "box", ScriptedBox(deaf=True)) as served:
        delays = []
        with ReadAheadTransport(open_transport(str(served.path))) as port:
            for _ in range(100):
                sent = time.perf_counter()
                served.send(bytes(32))
                assert port.read(60.0)
                delays.append(time.perf_counter() - sent)
        assert sorted(delays)[5] < 0.005


def test_only_ports_in_real_time_are_read_ahead() -> None:
    with tcp_box() as served, open_read_ahead(served.port) as port:
        assert isinstance(port, ReadAheadTransport)
    with open_read_ahead("sim:heron?speed=max") as virtual:
        assert not isinstance(virtual, ReadAheadTransport)
