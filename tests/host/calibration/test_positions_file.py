"""Positions of the arm in files: whole or refused, the line or position named."""

from __future__ import annotations

import contextlib
import json
import math
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pytest_mock import MockerFixture
from steelyard.calibration import AngleConditions, AnglePoint, Binding
from steelyard.calibration.positions_file import PositionsFile, read_positions, save_positions
from steelyard.errors import CalibrationFileError, ReadingsFileError

BINDING = Binding("e66164084319a52c", 2, "AM-0007", 1)
POINTS = (AnglePoint(-12.0, 1137.5), AnglePoint(30.0, 1615.25), AnglePoint(60.0, 1957.0))


def test_what_was_kept_comes_back_the_same(tmp_path: Path) -> None:
    conditions = AngleConditions(0.2, 0.1, 180, "2026-01-12T10:00:00Z", "T-2", "level by hand")
    for kept in (
        PositionsFile(POINTS, 4096, conditions, BINDING),
        PositionsFile(POINTS, 0),
        PositionsFile(POINTS),
    ):
        path = save_positions(kept, tmp_path / "new folder" / "x.positions.json")
        assert read_positions(path) == kept


def test_a_plain_table(tmp_path: Path) -> None:
    table = tmp_path / "at.csv"
    table.write_text("# by inclinometer\nangle_degrees, counts_mean\n-12,1137.5\n\n30 , 1615.25\n")
    assert read_positions(table) == PositionsFile(POINTS[:2])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("# nothing\n", "empty"),
        ("angle_degrees,counts_mean\n", "no position"),
        ("angle,counts\n1,2\n", "Line 1 is not the header"),
        ("angle_degrees,counts_mean\n1,2\n3\n", "Line 3 has 1 cells"),
        ("angle_degrees,counts_mean\n1,two\n", "line 2: counts_mean “two” is no number"),
        ("angle_degrees,counts_mean\n30°,2\n", "line 2: angle_degrees “30°”"),
        ("angle_degrees,counts_mean\n400,2\n", "line 2: A position of 400°"),
        ('angle_degrees,counts_mean\n"1,2\n', "Line 2 is no CSV"),
    ],
)
def test_tables_that_are_none(tmp_path: Path, text: str, said: str) -> None:
    table = tmp_path / "at.csv"
    table.write_text(text, encoding="utf-8")
    with pytest.raises(ReadingsFileError) as refused:
        read_positions(table)
    assert said in refused.value.what
    assert "at.csv" in refused.value.what


ONE = {"angle_degrees": 1.0, "counts_mean": 2.0}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ([], "no list called “positions”"),
        ({"positions": []}, "no position"),
        ({"positions": [5]}, "position 1 is not an object"),
        ({"positions": [ONE, {"angle_degrees": 3}]}, "position 2: counts_mean"),
        ({"positions": [{**ONE, "mass_kg": 3}]}, "position 1: mass_kg not known"),
        ({"positions": [ONE], "counts_per_turn": 4096.5}, "counts_per_turn 4096.5 cannot be"),
        ({"positions": [ONE], "counts_per_turn": -1}, "cannot be"),
        ({"positions": [ONE], "conditions": 3}, "“conditions” is not an object"),
        ({"positions": [ONE], "conditions": {"operator": 3}}, "operator is no text"),
        ({"positions": [ONE], "conditions": {"taken_at": "soon"}}, "“soon” is no date"),
        ({"positions": [ONE], "conditions": {"mood": 1}}, "mood not known"),
        ({"positions": [ONE], "conditions": {"valid_days": math.inf}}, "one of these cannot be"),
        ({"positions": [ONE], "box": {"box_id": 3}}, "“box” does not say"),
        ({"positions": [ONE], "extra": 1}, "extra not known"),
    ],
)
def test_json_that_holds_something_else(tmp_path: Path, content: object, said: str) -> None:
    path = tmp_path / "x.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(ReadingsFileError) as refused:
        read_positions(path)
    assert said in refused.value.what


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200), st.sampled_from([".json", ".csv"]))
def test_any_bytes_are_positions_or_refused(tmp_path: Path, raw: bytes, suffix: str) -> None:
    path = tmp_path / f"any{suffix}"
    path.write_bytes(raw)
    with contextlib.suppress(ReadingsFileError):
        read_positions(path)


def test_full_disk_is_said(tmp_path: Path, mocker: MockerFixture) -> None:
    mocker.patch("os.fsync", side_effect=OSError(28, "No space left on device"))
    with pytest.raises(CalibrationFileError, match="No space left"):
        save_positions(PositionsFile(POINTS), tmp_path / "x.json")
    assert list(tmp_path.iterdir()) == []
