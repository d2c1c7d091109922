"""Stored calibrations: whole or refused, never overwritten, bound to their box."""

from __future__ import annotations

import dataclasses
import json
import os
import sys
from functools import cache
from pathlib import Path

import pytest
from host.calibration.synthetic import BINDING, Bench
from hypothesis import given
from hypothesis import strategies as st
from pytest_mock import MockerFixture
from steelyard.calibration import (
    AnglePoint,
    AnyCalibration,
    ForceCalibration,
    LeverArm,
    TorqueCalibration,
    calibrate_angle,
    calibrate_force,
    load_any_calibration,
    load_calibration,
    save_calibration,
)
from steelyard.calibration.canonical_json import content_hash, open_sealed, sealed_text
from steelyard.errors import CalibrationFileError, WrongBoxError


@cache
def calibration(seed: int = 21) -> ForceCalibration:
    bench = Bench(seed, runs=2)
    return calibrate_force(bench.points(), bench.conditions, BINDING, weights=bench.by_name)


@cache
def stored() -> bytes:
    return calibration().to_json().encode("ascii")


def test_round_trip_keeps_every_bit(tmp_path: Path) -> None:
    path = save_calibration(calibration(), tmp_path)
    again = load_calibration(path, BINDING)
    assert again == calibration()
    assert again.calibration_id == calibration().calibration_id
    assert again.to_json() == calibration().to_json()
    counts = [4.1e4, 3e5, 8e5]
    assert again.force(counts).force_newtons.tolist() == (
        calibration().force(counts).force_newtons.tolist()
    )


def test_name_says_what_it_is_for(tmp_path: Path) -> None:
    path = save_calibration(calibration(), tmp_path / "made" / "on demand")
    assert path.name == f"{BINDING.box_id}-ch0-{calibration().calibration_id[:12]}.calibration.json"
    assert save_calibration(calibration(), path.parent) == path
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_id_is_the_content() -> None:
    other = dataclasses.replace(calibration(), remarks=("one word more",))
    assert other.calibration_id != calibration().calibration_id
    assert calibration(22).calibration_id != calibration().calibration_id
    assert len(calibration().calibration_id) == 64


@given(st.data())
def test_any_edited_byte_is_detected(data: st.DataObject) -> None:
    raw = bytearray(stored())
    place = data.draw(st.integers(0, len(raw) - 1))
    value = data.draw(st.integers(0, 255).filter(lambda value: value != raw[place]))
    raw[place] = value
    _must_refuse(bytes(raw))


def made_of_each_kind() -> dict[str, AnyCalibration]:
    angle = [AnglePoint(float(at), 100.0 + 11.377 * at) for at in (0, 30, 60)]
    return {
        "angle": calibrate_angle(angle, BINDING, counts_per_turn=4096),
        "force": calibration(),
        "torque": TorqueCalibration(calibration(), LeverArm(0.4, 0.0005)),
    }


@pytest.mark.parametrize("kind", made_of_each_kind())
def test_every_byte_of_the_file_counts(kind: str, tmp_path: Path) -> None:
    """Each gone, or with one bit turned over.

    Of the angle's, the shortest, at every place; of the others at every 29th, and at each
    in the long form.
    """
    path = save_calibration(made_of_each_kind()[kind], tmp_path)
    raw = path.read_bytes()
    every = kind == "angle" or "STEELYARD_EVERY_BYTE" in os.environ
    for place in range(0, len(raw), 1 if every else 29):
        turned = raw[place] ^ (1 << place % 8)
        for middle in (b"", bytes([turned])):
            path.write_bytes(raw[:place] + middle + raw[place + 1 :])
            with pytest.raises(CalibrationFileError, match=path.name[:20]):
                load_any_calibration(path)
    path.write_bytes(raw)
    load_any_calibration(path)


@given(st.data())
def test_any_deleted_or_added_byte_is_detected(data: st.DataObject) -> None:
    raw = stored()
    place = data.draw(st.integers(0, len(raw)))
    if data.draw(st.booleans()) and place < len(raw):
        _must_refuse(raw[:place] + raw[place + 1 :])
    else:
        _must_refuse(
            raw[:place] + data.draw(st.sampled_from([b" ", b"\n", b"0", b"x"])) + raw[place:]
        )


def _must_refuse(raw: bytes) -> None:
    try:
        text = raw.decode("ascii")
    except UnicodeDecodeError:
        return  # the file reader refuses it before
    with pytest.raises(CalibrationFileError):
        ForceCalibration.from_json(text)


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[]", "nonsense", "{", "null", '{"calibration_id": 5}', "[" * 100_000, "NaN"],
)
def test_other_text_is_refused(text: str) -> None:
    with pytest.raises(CalibrationFileError):
        ForceCalibration.from_json(text)


def test_file_that_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "x.calibration.json"
    path.write_bytes(b"\x00\xff recording")
    with pytest.raises(CalibrationFileError, match="byte 1"):
        load_calibration(path)


def test_edited_file_names_both_hashes() -> None:
    edited = stored().replace(b'"LC-0042"', b'"LC-0043"').decode()
    with pytest.raises(CalibrationFileError, match=calibration().calibration_id[:12]):
        ForceCalibration.from_json(edited)


def test_resealed_but_unknown_version_is_refused() -> None:
    content = json.loads(stored())
    content["schema_version"] = 99
    with pytest.raises(CalibrationFileError, match="version 99"):
        ForceCalibration.from_json(sealed_text(content))


@pytest.mark.parametrize("part", ["binding", "model", "points", "conditions", "weights"])
def test_resealed_but_incomplete_is_refused(part: str) -> None:
    content = json.loads(stored())
    del content[part]
    with pytest.raises(CalibrationFileError, match="lacks or misuses"):
        ForceCalibration.from_json(sealed_text(content))
    content[part] = {"surprise": 1}
    with pytest.raises(CalibrationFileError, match="lacks or misuses"):
        ForceCalibration.from_json(sealed_text(content))


def test_seal_holds_whatever_the_order_of_keys() -> None:
    assert content_hash({"a": 1, "b": [2.5]}) == content_hash({"b": [2.5], "a": 1})
    assert open_sealed(sealed_text({"b": "µ", "a": 1}))["b"] == "µ"
    with pytest.raises(CalibrationFileError, match="finite"):
        sealed_text({"a": float("inf")})


def test_wrong_box_is_refused(tmp_path: Path) -> None:
    path = save_calibration(calibration(), tmp_path)
    present = dataclasses.replace(BINDING, sensor_serial="LC-0099")
    with pytest.raises(WrongBoxError, match="LC-0099"):
        load_calibration(path, present)


def test_existing_damaged_file_is_not_overwritten(tmp_path: Path) -> None:
    path = save_calibration(calibration(), tmp_path)
    path.write_bytes(b"damaged")
    with pytest.raises(CalibrationFileError, match="never overwritten"):
        save_calibration(calibration(), tmp_path)
    assert path.read_bytes() == b"damaged"


def test_missing_file_and_folder_in_the_way(tmp_path: Path) -> None:
    with pytest.raises(CalibrationFileError, match="could not be read"):
        load_calibration(tmp_path / "none.calibration.json")
    with pytest.raises(CalibrationFileError, match="could not be read"):
        load_calibration(tmp_path)
    blocked = tmp_path / "file"
    blocked.write_text("x")
    with pytest.raises(CalibrationFileError, match="could not be written"):
        save_calibration(calibration(), blocked)


@pytest.mark.skipif(sys.platform == "win32", reason="file locks differ")
def test_full_disk_leaves_nothing_behind(tmp_path: Path, mocker: MockerFixture) -> None:
    mocker.patch("os.fsync", side_effect=OSError(28, "No space left on device"))
    with pytest.raises(CalibrationFileError, match="No space left"):
        save_calibration(calibration(), tmp_path)
    assert list(tmp_path.iterdir()) == []
