"""The virtual box on a pseudo-terminal, read as any serial port is."""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path
from typing import TypeVar

import pytest
from steelyard.errors import SimulatorError
from steelyard.simulator.pty import PtyBox
from steelyard_protocol.codec import encode
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.records import Identify, Identity, LoadSample, StartStream, Status

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

import serial

Record = TypeVar("Record")


def wait_for(
    port: serial.Serial,
    kind: type[Record],
    seconds: float = 2.0,
    decoder: StreamDecoder | None = None,
) -> Record:
    decoder = decoder or StreamDecoder()
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        for event in decoder.feed(port.read(max(1, port.in_waiting))):
            if isinstance(event, Message) and isinstance(event.record, kind):
                return event.record
    pytest.fail(f"the box sent no {kind.__name__}")


def use_on(port: serial.Serial) -> None:
    for _ in range(50):
        port.read(1)
        port.write(b"\0")


def identify(port: serial.Serial) -> Identity:
    port.write(encode(Identify(3)))
    return wait_for(port, Identity)


def test_a_serial_program_sees_a_box_without_losses() -> None:
    with PtyBox("heron?task=rest") as box, serial.Serial(str(box.path), timeout=0.2) as port:
        # One decoder from the first byte on: a second one would begin within a frame.
        decoder = StreamDecoder()
        port.write(encode(Identify(3)))
        wait_for(port, Identity, decoder=decoder)
        port.write(encode(StartStream(1)))
        events = []
        end = time.monotonic() + 1.5
        while time.monotonic() < end:
            events += decoder.feed(port.read(max(1, port.in_waiting)))
        assert all(isinstance(event, Message) for event in events)
        samples = [e for e in events if isinstance(e, Message) and isinstance(e.record, LoadSample)]
        assert len(samples) > 150


def test_every_byte_value_passes_the_terminal() -> None:
    with PtyBox("heron?task=rest") as box, serial.Serial(str(box.path), timeout=0.2) as port:
        identify(port)
        port.write(bytes(range(256)) + b"\0")  # garbage, but all of it must arrive
        identify(port)
        garbage = [wait_for(port, Status).garbage_bytes_total for _ in range(3)]
        assert garbage[-1] == 256  # 1 to 255 and the delimiter that ended them


def test_unplugging_hangs_up_and_plugging_in_gives_the_same_path() -> None:
    with PtyBox("heron?task=rest") as box:
        path = box.path
        with serial.Serial(str(path), timeout=0.2) as port:
            first = identify(port)
            box.unplug()
            assert not path.exists()
            with pytest.raises((serial.SerialException, OSError)):
                use_on(port)
        box.plug()
        with serial.Serial(str(path), timeout=0.2) as port:
            second = identify(port)
    assert second.box_id == first.box_id
    assert second.boot_id != first.boot_id


def test_a_reboot_keeps_the_port_open() -> None:
    with PtyBox("heron?task=rest") as box, serial.Serial(str(box.path), timeout=0.2) as port:
        first = identify(port)
        box.reboot()
        time.sleep(0.3)
        second = identify(port)
    assert second.boot_id != first.boot_id


def test_faults_of_the_options_unplug_too() -> None:
    with PtyBox("heron?task=rest&faults=unplug@0.5+0.5") as box:
        time.sleep(0.8)
        assert not box.path.exists()
        time.sleep(0.6)
        with serial.Serial(str(box.path), timeout=0.2) as port:
            assert identify(port).channel_count == 4


def test_a_given_path_is_used_and_removed(tmp_path: Path) -> None:
    path = tmp_path / "heron"
    with PtyBox("heron?task=rest", path) as box:
        assert box.path == path
        assert path.is_symlink()
    assert not path.is_symlink()


def test_nothing_is_left_running_or_open() -> None:
    descriptors = Path("/proc/self/fd")
    threads = threading.active_count()
    before = len(list(descriptors.iterdir())) if descriptors.exists() else 0
    for _ in range(3):
        box = PtyBox("heron?task=rest")
        folder = box.path.parent
        box.unplug()
        box.plug()
        box.close()
        assert not folder.exists()
    assert threading.active_count() == threads
    if descriptors.exists():
        assert len(list(descriptors.iterdir())) == before


def test_full_speed_is_refused() -> None:
    with pytest.raises(SimulatorError, match="speed=max"):
        PtyBox("heron?speed=max")


def test_windows_is_told_what_to_use_instead(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    with pytest.raises(SimulatorError, match="sim:"):
        PtyBox("heron")
