"""Serial ports, over pseudo-terminals.  POSIX only."""

from __future__ import annotations

import errno
import os
import sys
import threading
import time
from pathlib import Path

import pytest
import serial
from host.device.scripted_box import BANNER, ScriptedBox
from host.transport.box_servers import pty_box
from pytest_mock import MockerFixture
from steelyard.device import Box
from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceNotFoundError,
    DeviceTimeoutError,
    PortAccessError,
    PortBusyError,
)
from steelyard.transport import Transport, open_transport
from steelyard.transport.serial_port import SerialTransport, opening_error
from steelyard_protocol.decoder import Gap, Message

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")


def read_often(port: Transport) -> None:
    for _ in range(5):
        port.read(0.2)


def test_is_a_transport(tmp_path: Path) -> None:
    with pty_box(tmp_path / "box") as served, open_transport(str(served.path)) as port:
        assert isinstance(port, SerialTransport)
        assert isinstance(port, Transport)
        assert port.description == str(served.path)


def test_bytes_pass_whole_both_ways(tmp_path: Path) -> None:
    every_byte = bytes(range(256)) * 8
    with pty_box(tmp_path / "box", ScriptedBox(deaf=True)) as served:
        with open_transport(str(served.path)) as port:
            served.send(every_byte)
            received = b""
            while len(received) < len(every_byte):
                data = port.read(60.0)
                assert data
                received += data
            assert received == every_byte
            port.write(every_byte)
            deadline = time.monotonic() + 60
            while len(served.received) < len(every_byte) and time.monotonic() < deadline:
                time.sleep(0.005)
    assert served.received == every_byte


def test_a_quiet_port_returns_nothing_after_the_timeout(tmp_path: Path) -> None:
    with pty_box(tmp_path / "box") as served, open_transport(str(served.path)) as port:
        started = time.monotonic()
        assert port.read(0.05) == b""
        assert time.monotonic() - started > 0.04
        assert port.read(0) == b""


def test_a_session_over_a_terminal_loses_nothing(tmp_path: Path) -> None:
    with pty_box(tmp_path / "box", period=0.0025) as served:
        port = open_transport(str(served.path))
        served.send(BANNER)
        with Box.open(port) as box:
            box.start_stream()
            box.read_clock()
            deadline = time.monotonic() + 60
            events: list[object] = []
            while len(events) < 150 and time.monotonic() < deadline:
                events += box.poll(0.05).events
            box.stop_stream()
            events += box.drain().events
    samples = [event for event in events if isinstance(event, Message)]
    assert len(samples) > 50
    assert not [event for event in events if isinstance(event, Gap)]
    # The banner has no delimiter behind it, so it takes one frame with it.
    assert box.counters.corrupt_frames_total == 1


def test_a_second_program_is_refused_clearly(tmp_path: Path) -> None:
    with pty_box(tmp_path / "box") as served, open_transport(str(served.path)):
        with pytest.raises(PortBusyError, match=r"in use by another program.*Close"):
            open_transport(str(served.path))


def test_a_port_can_be_opened_again_after_closing(tmp_path: Path) -> None:
    with pty_box(tmp_path / "box") as served:
        for _ in range(3):
            open_transport(str(served.path)).close()


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(DeviceNotFoundError, match="no serial port"):
        open_transport(str(tmp_path / "nowhere"))


def test_a_file_is_no_serial_port(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("not a terminal")
    with pytest.raises(DeviceNotFoundError, match="cannot be used as a serial port"):
        open_transport(str(file))


def test_an_unplug_while_reading(tmp_path: Path) -> None:
    with pty_box(tmp_path / "box") as served:
        port = open_transport(str(served.path))
        served.unplug()
        with pytest.raises(DeviceDisconnectedError, match=r"is gone .*Check the cable"):
            read_often(port)
        with pytest.raises(DeviceDisconnectedError):
            port.write(b"hello")
        port.close()
        port.close()


def test_an_unplug_in_the_middle_of_a_request(tmp_path: Path) -> None:
    with pty_box(tmp_path / "box") as served, Box.open(str(served.path)) as box:
        served.box.deaf = True
        cable = threading.Timer(0.1, served.unplug)
        cable.start()
        started = time.monotonic()
        with pytest.raises(DeviceDisconnectedError):
            box.start_stream()
        assert time.monotonic() - started > 0.05
        cable.join()


def test_reading_a_closed_port_is_a_lost_link(tmp_path: Path) -> None:
    with pty_box(tmp_path / "box") as served:
        port = open_transport(str(served.path))
        port.close()
        with pytest.raises(DeviceDisconnectedError):
            port.read(0.01)
        with pytest.raises(DeviceDisconnectedError):
            port.write(b"x")


def test_a_box_that_does_not_take_bytes(tmp_path: Path, mocker: MockerFixture) -> None:
    with pty_box(tmp_path / "box") as served, open_transport(str(served.path)) as port:
        failing = mocker.patch.object(serial.Serial, "write")
        failing.side_effect = serial.SerialTimeoutException("Write timeout")
        with pytest.raises(DeviceTimeoutError, match="5 bytes within 1 s"):
            port.write(b"hello")


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (serial.SerialException(errno.ENOENT, "could not open port"), DeviceNotFoundError),
        (serial.SerialException(errno.EACCES, "could not open port"), PortAccessError),
        (serial.SerialException(errno.EBUSY, "could not open port"), PortBusyError),
        (serial.SerialException("Could not exclusively lock port x"), PortBusyError),
        (OSError(errno.EIO, "Input/output error"), DeviceNotFoundError),
        (ValueError("odd"), DeviceNotFoundError),
        (
            serial.SerialException("could not open port 'COM9': FileNotFoundError(2, ...)"),
            DeviceNotFoundError,
        ),
    ],
)
def test_every_way_of_not_opening_has_one_error(
    error: Exception, expected: type[Exception]
) -> None:
    made = opening_error("/dev/ttyACM0", error)
    assert type(made) is expected
    assert "/dev/ttyACM0" in str(made)


def test_a_refused_access_means_busy_on_windows(mocker: MockerFixture) -> None:
    mocker.patch("steelyard.transport.serial_port.sys.platform", "win32")
    error = serial.SerialException("could not open port 'COM3': PermissionError(13, 'Access')")
    assert type(opening_error("COM3", error)) is PortBusyError


def test_a_refused_access_says_what_to_do(tmp_path: Path) -> None:
    text = str(opening_error("/dev/ttyACM0", OSError(errno.EACCES, os.strerror(errno.EACCES))))
    assert "dialout" in text
    assert "udev" in text
