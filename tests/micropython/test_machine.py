"""The firmware in the real MicroPython virtual machine: codec, memory, bytes.

The machine is the webassembly port: it proves logic, bytes and the absence of
allocation, not timing, and it has neither viper nor the RP2040's small heap.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

_ROOT = Path(__file__).parents[2]


def test_golden_vectors_through_the_device_codec(run_program) -> None:
    found = json.loads(run_program("vectors.py"))
    assert found["faults"] == []
    assert len(found["checked"]) == 25  # thirteen device messages and twelve requests
    assert min(found["checked"].values()) >= 1
    assert found["native"] is False  # viper is refused here: the bytecode was tested


@pytest.fixture(scope="module")
def heap_reports(run_program) -> list[dict[str, object]]:
    return list(json.loads(run_program("heap.py")))


@pytest.fixture(params=["Hx711", "Hx711Pio"])
def heap(request: pytest.FixtureRequest, heap_reports) -> dict[str, object]:
    (found,) = [report for report in heap_reports if report["driver"] == request.param]
    return found


def test_from_pin_to_queue_nothing_is_allocated(heap) -> None:
    assert heap["control"] == "MemoryError()"  # the lock holds, so what follows means something
    assert heap["sampling_errors"] == {}
    assert heap["samples"] > 3000
    assert heap["dropped"] > 3000  # the ring overflowed as well
    assert heap["no_conversion"] >= 22
    assert heap["desync"] >= 22
    assert (heap["suspect_steps"] > 900) == (heap["driver"] == "Hx711Pio")


def test_a_frame_takes_one_small_integer(heap) -> None:
    # The CRC-32 of a frame can exceed 30 bits: a heap integer of one or two 16-byte blocks.
    assert 0 < heap["frame_bytes"] <= 32


def test_every_firmware_file_compiles_in_the_machine(run_program) -> None:
    names = [
        path.relative_to(_ROOT / "firmware").as_posix()
        for path in (_ROOT / "firmware").rglob("*.py")
    ]
    found = json.loads(run_program("compile_all.py", {"names": names}))
    assert list(found["refused"]) == ["box/seal_viper.py"]
    assert "viper" in found["refused"]["box/seal_viper.py"] or "decorator" in str(found)
    assert found["compiled"] == len(names) - 1
