"""The sheet: what is written comes back, what is misspelt is refused, corrections lie beside."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from host.report.sessions import sheet_of
from hypothesis import given
from hypothesis import strategies as st
from steelyard.errors import SheetError
from steelyard.strength.crank_course import CrankSetting
from steelyard.strength.load_rule import LoadRule
from steelyard.strength.session_sheet import (
    SCHEMA,
    SessionSheet,
    differences,
    load_sheet,
    save_sheet,
    sheet_from_json,
)


def written(**fields: Any) -> str:
    return json.dumps({"schema": SCHEMA, "schema_version": 1, **fields})


def test_what_is_written_comes_back(tmp_path: Path) -> None:
    sheet = sheet_of()
    assert sheet_from_json(sheet.to_json()) == sheet
    save_sheet(sheet, tmp_path / "one.sheet.json")
    again = load_sheet(tmp_path / "one.sheet.json")
    assert again == sheet
    assert again.sheet_id == sheet.sheet_id
    assert sheet_from_json(SessionSheet().to_json()) == SessionSheet()


def test_what_is_not_stated_keeps_its_default() -> None:
    sheet = sheet_from_json(written(stack_kg=40, prescription={"concentric_seconds": 3}))
    assert sheet.stack_kg == 40.0
    assert sheet.prescription.concentric_seconds == 3.0
    assert sheet.prescription.eccentric_seconds == 4.0
    assert sheet.facts.crank_turns is None
    rule = sheet_from_json(written(load_rule={"repetitions": 8})).load_rule
    assert rule == LoadRule(8)


def test_spelling_does_not_change_the_hash() -> None:
    assert (
        sheet_from_json(written(stack_kg=40, note="x")).sheet_id
        == sheet_from_json(written(note="x", stack_kg=40.0)).sheet_id
    )


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"stak_kg": 40}, "Is stack_kg meant"),
        ({"prescription": {"tempo": 2}}, "There are: concentric_seconds"),
        ({"stack_kg": "40"}, "not a number"),
        ({"stack_kg": True}, "not a number"),
        ({"stack_kg": -1}, "from 0.1 to 1000"),
        ({"body_mass_kg": 720}, "from 20 to 300"),
        ({"stature_metres": 174}, "from 1 to 2.5"),
        ({"client_range_degrees": [50, -5]}, "extended end first"),
        ({"client_range_degrees": 50}, "not two numbers"),
        ({"crank": [{"turns": 3, "from_seconds": 9}, {"turns": 4}]}, "order of time"),
        ({"crank": {"turns": 3}}, "no list"),
        ({"crank": [{}]}, "lacks turns"),
        ({"load_rule": {"faulty": 1}}, "lacks repetitions"),
        ({"stop_rules": {"repetitions": 2.5}}, "whole number"),
        ({"set_up": [1]}, "no object"),
        ({"cautions_acknowledged": "yes"}, "true or false"),
        ({"note": "x" * 2001}, "at most 2000"),
        ({"schema_version": 2}, "newer program"),
        ({"schema": "other"}, "no session sheet"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_advice(fields: dict[str, Any], words: str) -> None:
    with pytest.raises(SheetError) as refused:
        sheet_from_json(json.dumps({"schema": SCHEMA, "schema_version": 1, **fields}))
    assert words in str(refused.value)


@given(st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["crank", "turns", "stack_kg", "prescription", "set_up", "note", "x"]),
        inner, max_size=4,
    ), max_leaves=8,
))  # fmt: skip
def test_any_json_is_a_sheet_or_a_plain_refusal(value: Any) -> None:
    content = value if isinstance(value, dict) else {"note": value}
    try:
        sheet_from_json(json.dumps({**content, "schema": SCHEMA, "schema_version": 1}))
    except SheetError as error:
        assert error.advice  # noqa: PT017


def test_files_that_are_no_sheets(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="could not be read"):
        load_sheet(tmp_path / "none.sheet.json")
    (tmp_path / "half.sheet.json").write_text('{"schema":', encoding="utf-8")
    with pytest.raises(SheetError, match=r"half\.sheet\.json"):
        load_sheet(tmp_path / "half.sheet.json")
    with pytest.raises(SheetError, match="could not be written"):
        save_sheet(SessionSheet(), tmp_path / "none" / "x.sheet.json")


def test_differences_name_what_changed_and_not_who_wrote() -> None:
    first = sheet_of()
    second = replace(first, crank=(CrankSetting(40.0),), written_by="operator O-9")
    (text,) = differences(first, second)
    assert text.startswith("crank: ")
    assert "40.0" in text
