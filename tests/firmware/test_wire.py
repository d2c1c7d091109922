"""The generated codec on CPython: vectors, and refusal of what does not fit."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest
from box import wire

_ROOT = Path(__file__).parents[2]


def _vector_check() -> ModuleType:
    # The very file that runs inside the MicroPython virtual machine.
    path = _ROOT / "tests" / "micropython" / "programs" / "vector_check.py"
    spec = importlib.util.spec_from_file_location("vector_check", path)
    if spec is None or spec.loader is None:
        raise AssertionError(f"cannot load {path}")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_golden_vectors() -> None:
    found = _vector_check().check(str(_ROOT / "protocol" / "vectors"))
    assert found["faults"] == []
    assert len(found["checked"]) == 25  # thirteen device messages and twelve requests
    assert min(found["checked"].values()) >= 1


@pytest.mark.parametrize(
    "field", ["channel", "flags", "boot_id", "sequence", "device_ticks_us", "angle_age_us"]
)
@pytest.mark.parametrize("value", [-1, 1 << 31])
def test_a_number_that_does_not_fit_is_refused_by_name(field: str, value: int) -> None:
    fields = dict.fromkeys(["channel", "flags", "boot_id", "sequence", "device_ticks_us"], 0) | {
        "load_counts": 0,
        "angle_counts": 0,
        "angle_age_us": 0,
    }
    fields[field] = value
    with pytest.raises(ValueError, match=field):
        wire.pack_load_sample(bytearray(32), 1, **fields)
