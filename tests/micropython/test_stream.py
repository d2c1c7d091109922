"""Bytes made by the firmware inside the MicroPython machine reach the host whole."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
import serial
from steelyard_protocol import codec, records
from steelyard_protocol.decoder import Message, StreamDecoder

_ROOT = Path(__file__).parents[2]
_SECONDS = 20
_REQUESTS = b"".join(
    codec.encode(request)
    for request in (
        records.Identify(1),
        records.ReadSetting(2, records.SettingKey.LOAD_GAIN, 0),
        records.ReadClock(3),
        records.StartStream(4),
    )
)


def _records(data: bytes) -> list[Any]:
    """Every record in `data`; a gap or a corrupt frame fails the test."""
    found = []
    for event in StreamDecoder().feed(data):
        if not isinstance(event, Message):
            pytest.fail(f"lost or damaged: {event}")
        found.append(event.record)
    return found


def _samples(found: list[Any], channel: int) -> list[Any]:
    kinds = (records.LoadSample, records.AngleSample)
    return [item for item in found if isinstance(item, kinds) and item.channel == channel]


def _read_until_exit(port: serial.Serial, process: subprocess.Popen[bytes]) -> bytes:
    data = bytearray()
    deadline = time.monotonic() + 100
    while time.monotonic() < deadline:
        exited = process.poll() is not None
        chunk = port.read(max(1, port.in_waiting))
        data += chunk
        if exited and not chunk:
            return bytes(data)
    process.kill()
    pytest.fail("the virtual machine did not finish in 100 s")


@pytest.mark.skipif(sys.platform == "win32", reason="no pty on Windows")
def test_through_a_pty_and_pyserial_nothing_is_lost(start_program) -> None:
    box_end, host_end = os.openpty()
    os.set_blocking(box_end, False)
    try:
        with serial.Serial(os.ttyname(host_end), timeout=0.2, exclusive=True) as port:
            port.write(_REQUESTS)
            process = start_program(
                "stream.py",
                {"seconds": _SECONDS},
                reads_input=True,
                stdin=box_end,
                stdout=box_end,
                stderr=subprocess.PIPE,
            )
            with process:
                data = _read_until_exit(port, process)
                errors = process.stderr.read()
    finally:
        os.close(box_end)
        os.close(host_end)
    assert (process.returncode, errors) == (0, b"")
    assert len(data) % 32 == 0
    found = _records(data)
    for channel, rate in ((0, 86.4), (1, 88.8), (2, 200.0), (3, 20.0)):
        samples = _samples(found, channel)
        assert [sample.sequence for sample in samples] == list(range(len(samples)))
        assert len(samples) == pytest.approx(_SECONDS * rate, abs=3)
    statuses = [item for item in found if isinstance(item, records.Status)]
    assert len(statuses) == pytest.approx(2 * _SECONDS, abs=1)
    assert statuses[-1].dropped_total == (0,) * 8
    assert statuses[-1].heap_free_bytes > 0


def _from_cpython(
    simulator_parts: Path, monkeypatch: pytest.MonkeyPatch, seconds: int, pio: bool
) -> bytes:
    """What the same box, built by the same file, sends when CPython runs it."""
    programs = _ROOT / "tests" / "micropython" / "programs"
    for folder in (simulator_parts, programs, _ROOT / "firmware"):
        monkeypatch.syspath_prepend(str(folder))
    monkeypatch.setitem(sys.modules, "rp2", None)  # put back, whatever the box does with it
    monkeypatch.delitem(sys.modules, "drivers.hx711_pio", raising=False)
    import bench_box  # needs the path set above

    class Link:
        def __init__(self) -> None:
            self.incoming = list(_REQUESTS)
            self.sent = bytearray()

        def read_byte(self) -> int:
            return self.incoming.pop(0) if self.incoming else -1

        def has_room(self) -> bool:
            return True

        def write_slot(self, slot: memoryview) -> None:
            self.sent += slot

    link = Link()
    box = bench_box.BenchBox(link, pio)
    sys.modules.pop("drivers.hx711_pio", None)
    box.run_for(seconds * 1_000_000)
    return bytes(link.sent)


@pytest.mark.parametrize("pio", [False, True], ids=["by hand", "by state machine"])
def test_cpython_and_micropython_send_the_same(
    start_program, simulator_parts, monkeypatch: pytest.MonkeyPatch, pio: bool
) -> None:
    process = start_program(
        "stream.py",
        {"seconds": 4, "pio": pio},
        reads_input=True,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    data, _ = process.communicate(_REQUESTS, timeout=60)
    assert process.returncode == 0

    def comparable(data: bytes) -> list[Any]:
        return [
            # Free memory is MicroPython's own to know.
            item._replace(heap_free_bytes=0) if isinstance(item, records.Status) else item
            for item in _records(data)
        ]

    in_machine = comparable(data)
    assert in_machine == comparable(_from_cpython(simulator_parts, monkeypatch, 4, pio))
    assert len(in_machine) > 1500
