"""Lists of readings as files: what is read, and every refusal naming its place."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.calibration import Direction, read_readings
from steelyard.calibration.readings_file import parse_csv, parse_json, read_weights
from steelyard.errors import CalibrationError, ReadingsFileError

HEADER = "run,direction,mass_kg,counts_mean,counts_standard_error,sample_count"
CSV = f"""# hung by hand, 2026-01-01

{HEADER},weights
1,up,0,41000.5,2.9,240,
1, Up ,20,200345.25,3.1,240,A
1,down,40,359700,3.0,240, A + B
"""


def json_content(**changes: Any) -> dict[str, Any]:
    point = {
        "run": 1,
        "direction": "up",
        "mass_kg": 20,
        "counts_mean": 200345.25,
        "counts_standard_error": 3.1,
        "sample_count": 240,
        "weights": ["A"],
    }
    return {
        "points": [point],
        "weights": [{"name": "A", "nominal_kg": 20, "oiml_class": "M1"}],
        "gravity": {"latitude_degrees": 52, "height_metres": 30},
        "conditions": {"operator": "T-01", "temperature_celsius": 21.5},
        **changes,
    }


def test_csv() -> None:
    points = parse_csv(CSV).points
    assert [point.mass_kg for point in points] == [0.0, 20.0, 40.0]
    assert points[1].direction is Direction.UP
    assert points[2].weights == ("A", "B")
    assert points[0].weights == ()
    assert points[1].counts_mean == 200345.25


def test_json() -> None:
    read = parse_json(json.dumps(json_content()))
    assert read.points[0].weights == ("A",)
    assert read.weights["A"].oiml_class == "M1"
    assert read.conditions.gravity.value == pytest.approx(9.81238, abs=1e-5)
    assert read.conditions.temperature_celsius == 21.5
    entered = json_content(gravity={"value": 9.8126, "standard_uncertainty": 1e-5})
    assert parse_json(json.dumps(entered)).conditions.gravity.source == "entered"


def test_files_are_told_apart_by_name(tmp_path: Path) -> None:
    table = tmp_path / "readings.csv"
    table.write_bytes(b"\xef\xbb\xbf" + CSV.replace("\n", "\r\n").encode())
    assert len(read_readings(table).points) == 3
    everything = tmp_path / "readings.JSON"
    everything.write_text(json.dumps(json_content()))
    assert len(read_readings(everything).points) == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("# only words\n\n", "empty"),
        (HEADER, "no reading"),
        (HEADER.replace("mass_kg", "mass_lb"), "mass_lb.*kilograms"),
        (HEADER.replace("mass_kg", "force_n"), "force_n.*kilograms"),
        (HEADER.replace(",sample_count", ""), "line 1: sample_count missing"),
        (HEADER + ",run", "twice"),
        (HEADER + "\n1,up,0,41000,2.9", "Line 2 has 5 cells, the header 6"),
        (HEADER + "\n1,up,0,41000,2.9,240,9", "Line 2 has 7 cells"),
        (HEADER + "\n# x\n1,sideways,0,41000,2.9,240", "line 3: direction “sideways”"),
        (HEADER + "\n1,up,20 kg,41000,2.9,240", "line 2: mass_kg “20 kg”"),
        (HEADER + "\n1,up,,41000,2.9,240", "line 2: mass_kg “”"),
        (HEADER + "\n1.5,up,0,41000,2.9,240", "line 2: run 1.5"),
        (HEADER + "\n1,up,nan,41000,2.9,240", "line 2: .*number"),
        (HEADER + "\n1,up,-5,41000,2.9,240", "line 2: .*-5"),
        (HEADER + "\n1,up,0,41000,-1,240", "line 2: .*standard error"),
        (HEADER + '\n1,"up,0,41000,2.9,240', "Line 2"),
        ('{"points": []}', "no column"),
    ],
)
def test_csv_refusals_name_the_line(text: str, said: str) -> None:
    with pytest.raises(ReadingsFileError, match=said):
        parse_csv(text)


def one_point(**changes: Any) -> dict[str, Any]:
    content = json_content()
    content["points"][0].update(changes)
    return content


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ([], "no list called"),
        ({"points": 5}, "no list called"),
        (json_content(points=[]), "empty"),
        (json_content(points=[7]), "point 1 is not an object"),
        (json_content(surprise=1), "surprise not known"),
        (one_point(mass_lb=44), "point 1: “mass_lb”"),
        (one_point(mass_kg="heavy"), "point 1: mass_kg “heavy”"),
        (one_point(mass_kg=True), "point 1: mass_kg is no number"),
        (one_point(mass_kg=None), "point 1: mass_kg is no number"),
        (one_point(run=0), "point 1: .*Run 0|point 1: Run 0"),
        (one_point(direction=3), "point 1: direction “3”"),
        (one_point(weights="A"), "point 1: weights"),
        (json_content(weights={}), "not a list"),
        (json_content(weights=["A"]), "not an object"),
        (json_content(weights=[{"name": "A"}]), "missing or of the wrong kind"),
        (json_content(weights=[{"name": "A", "nominal_kg": "20"}]), "wrong kind"),
        (json_content(weights=[{"name": "A", "nominal_kg": 20, "klass": "M1"}]), "klass"),
        (json_content(weights=[{"name": "A", "nominal_kg": 15, "oiml_class": "M1"}]), "15 kg"),
        (json_content(weights=2 * json_content()["weights"]), "one name"),
        (json_content(gravity=9.81), "not an object"),
        (json_content(gravity={"latitude_degrees": 520}), "520"),
        (json_content(gravity={"value": 9.81}), "holds value"),
        (json_content(gravity={}), "holds nothing"),
        (json_content(gravity={"latitude_degrees": "north"}), "north"),
        (json_content(conditions=[]), "not an object"),
        (json_content(conditions={"weather": "fine"}), "weather not known"),
        (json_content(conditions={"operator": 5}), "operator is no text"),
        (json_content(conditions={"mass_bound_relative": "wide"}), "wide"),
        (json_content(conditions={"mass_bound_relative": 5}), "mass_bound_relative"),
    ],
)
def test_json_refusals_name_the_place(content: Any, said: str) -> None:
    with pytest.raises(ReadingsFileError, match=said):
        parse_json(json.dumps(content))


@pytest.mark.parametrize("text", ["", "{", "[" * 100_000, "points: 1"])
def test_text_that_is_no_json(text: str) -> None:
    with pytest.raises(ReadingsFileError, match="not JSON"):
        parse_json(text)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(ReadingsFileError, match="could not be read"):
        read_readings(tmp_path / "none.csv")
    with pytest.raises(ReadingsFileError, match="could not be read"):
        read_readings(tmp_path)
    picture = tmp_path / "x.csv"
    picture.write_bytes(b"\x89PNG\r\n")
    with pytest.raises(ReadingsFileError, match="not a text file"):
        read_readings(picture)
    huge = tmp_path / "huge.csv"
    huge.write_bytes(b"#" * 4_000_001)
    with pytest.raises(ReadingsFileError, match="larger"):
        read_readings(huge)


def refusal(parse: Callable[[str], object], text: str) -> str | None:
    """What the parser says against the text, or None when it takes it; nothing else may come."""
    try:
        parse(text)
    except ReadingsFileError as error:
        return error.what
    return None


@given(st.text(max_size=300))
def test_any_text_is_read_or_refused(text: str) -> None:
    for parse in (parse_csv, parse_json):
        assert refusal(parse, text) != ""


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["points", "weights", "gravity", "conditions", "name", "value"]),
                inner,
                max_size=4,
            )
        ),
        max_leaves=12,
    )
)
def test_any_json_is_read_or_refused(content: Any) -> None:
    assert refusal(parse_json, json.dumps(content)) != ""


@given(
    st.lists(
        st.sampled_from(["1", "up", "down", "0", "20", "x", "", "nan", "1e999", '"']),
        min_size=6,
        max_size=7,
    )
)
def test_any_row_is_read_or_refused(cells: list[str]) -> None:
    said = refusal(parse_csv, HEADER + "\n" + ",".join(cells))
    assert said is None or "ine 2" in said


HELD = [[5.0 + 10.0 * step, 840_000.0 + step] for step in range(32)]


def test_arm_creep_and_bounds_for_later() -> None:
    content = json_content(
        arm={"length_metres": 0.4, "length_uncertainty_metres": 0.001, "angle_degrees": 5},
        creep={"unloaded_counts": 41_000, "held": HELD},
        in_service={"valid_days": 180, "side_load_relative": 2e-4},
    )
    file = parse_json(json.dumps(content))
    assert file.arm is not None
    assert file.arm.angle_degrees == 5.0
    assert file.creep is not None
    assert file.creep.hold_seconds == 315.0
    assert file.conditions.in_service.valid_days == 180
    assert file.conditions.in_service.side_load_relative == 2e-4


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"arm": 0.4}, "“arm” is not an object"),
        ({"arm": {"length_metres": 0.4}}, "“arm”: a field is missing"),
        ({"arm": {"length_metres": "long", "length_uncertainty_metres": 0}}, "arm: length_metres"),
        ({"arm": {"length_metres": 40, "length_uncertainty_metres": 0}}, "40 m at 0"),
        ({"creep": {"unloaded_counts": 0}}, "no list “held”"),
        ({"creep": {"unloaded_counts": 0, "held": [[1, 2], [3]]}}, "creep, reading 2"),
        ({"creep": {"unloaded_counts": 0, "held": [[1, 2]] * 3}}, "cannot show creep"),
        ({"creep": {"held": HELD}}, "unloaded_counts is no number"),
        ({"in_service": {"valid_weeks": 3}}, "“in_service”: a field is missing or not known"),
        ({"in_service": {"valid_days": -3}}, "valid_days is -3"),
        ({"conditions": {"taken_at": "12/01/26"}}, "is no date"),
    ],
)
def test_new_parts_are_refused_by_name(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(CalibrationError) as refused:
        parse_json(json.dumps(json_content(**changes)))
    assert said in refused.value.what


def test_weights_by_themselves(tmp_path: Path) -> None:
    path = tmp_path / "weights.json"
    path.write_text(json.dumps({"weights": json_content()["weights"]}), encoding="utf-8")
    assert read_weights(path)["A"].oiml_class == "M1"
    for text, said in (("{", "not JSON"), ("[]", "no list"), ('{"weights": [], "x": 1}', "x not")):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(ReadingsFileError, match=said):
            read_weights(path)


def test_refusals_name_the_file(tmp_path: Path) -> None:
    path = tmp_path / "monday.json"
    path.write_text("{}", encoding="utf-8")
    with pytest.raises(ReadingsFileError, match=r"monday\.json"):
        read_readings(path)
