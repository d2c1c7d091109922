"""protocol/CALIBRATIONS.md is enough to turn counts into newtons."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from host.calibration.synthetic import BINDING, Bench
from steelyard.calibration import calibrate_force

PAGE = Path(__file__).resolve().parents[3] / "protocol" / "CALIBRATIONS.md"


def printed_code() -> dict[str, Any]:
    text = PAGE.read_text(encoding="utf-8")
    names: dict[str, Any] = {}
    exec(text[text.index("```python") + 9 :].split("```")[0], names)
    return names


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_the_printed_inverse_is_ours(degree: int) -> None:
    bench = Bench(seed=degree, bend_relative=3e-4)
    calibration = calibrate_force(
        bench.points(),
        bench.conditions,
        BINDING,
        weights=bench.by_name,
        degree=degree,
    )
    record = json.loads(calibration.to_json())
    newtons = printed_code()["newtons"]
    low, high = bench.zero_counts - 20_000, bench.zero_counts + 900_000
    counts = np.linspace(low, high, 101)
    ours = calibration.force(counts).force_newtons
    theirs = [newtons(value, record["model"]["curve"]) for value in counts.tolist()]
    assert np.allclose(ours, theirs, rtol=0, atol=1e-9)


def test_the_id_is_the_hash_that_the_page_describes() -> None:
    bench = Bench(seed=9)
    calibration = calibrate_force(
        bench.points(),
        bench.conditions,
        BINDING,
        weights=bench.by_name,
    )
    record = json.loads(calibration.to_json())
    stated = record.pop("calibration_id")
    text = json.dumps(record, indent=1, sort_keys=True) + "\n"
    assert hashlib.sha256(text.encode("ascii")).hexdigest() == stated
