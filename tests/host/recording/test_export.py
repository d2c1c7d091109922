"""Exports read back equal, say where they are from, and never half exist."""

from __future__ import annotations

import builtins
import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from host.recording.ideal_box import FrameSource, RecordingMaker, encoded
from pytest_mock import MockerFixture
from steelyard.errors import ExportError, RecordingFormatError
from steelyard.recording.documents import Document
from steelyard.recording.export import ExportFormat, export_recording
from steelyard.recording.reader import read_recording
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import DocumentKind, EventKind, SampleFlags


@dataclass
class _Readings:
    force_newtons: np.ndarray
    standard_uncertainty_newtons: np.ndarray
    extrapolated: np.ndarray


class _Scale:
    """A hundred counts a newton; above 1.5 N is extrapolated."""

    calibration_id = "sha256:made-up"

    def force(self, counts: np.ndarray) -> _Readings:
        newtons = counts / 100
        return _Readings(newtons, 0.25 + 0 * newtons, newtons > 1.5)


@pytest.fixture
def recording(maker: RecordingMaker) -> Path:
    """Three seconds with everything in them that an export must not smooth over."""
    source = maker.source
    with maker.open() as writer:
        writer.describe_box(source.identity(), source.channels())
        writer.link_opened()
        for second in range(3):
            frames = source.second(second)
            frames += [
                source.load(0, SampleFlags.SATURATED_HIGH, (1 << 23) - 1),
                source.load(0, SampleFlags.NO_CONVERSION, NO_COUNTS),
                source.event(second + 0.9, EventKind.BUTTON_PRESSED),
            ]
            writer.append_device_bytes(encoded(frames))
            maker.clock.advance_s(1)
            writer.mark_time(source.mark(second + 1, maker.clock))
        unmarked = FrameSource(boot_id=99)
        writer.append_device_bytes(encoded([unmarked.load(0) for _ in range(5)]))
    return writer.path


def _read_csv(path: Path) -> tuple[dict[str, str], list[dict[str, str]]]:
    lines = path.read_text(encoding="utf-8").splitlines()
    comments = [line[2:].split(": ", 1) for line in lines if line.startswith("# ")]
    table = csv.DictReader(line for line in lines if not line.startswith("#"))
    return dict(comments), list(table)


def _numbers(rows: list[dict[str, str]], name: str) -> list[int | None]:
    return [int(row[name]) if row[name] else None for row in rows]


def test_csv_reads_back_equal(recording: Path, tmp_path: Path) -> None:
    files = export_recording(recording, tmp_path / "visit")
    assert [file.path.name for file in files] == [
        "visit-load.csv",
        "visit-angle.csv",
        "visit-status.csv",
        "visit-events.csv",
    ]
    whole = read_recording(recording)
    _, rows = _read_csv(files[0].path)
    assert files[0].rows_total == len(rows) == sum(map(len, whole.loads.values()))
    for channel, samples in whole.loads.items():
        own = [row for row in rows if row["channel"] == str(channel)]
        for name in ("sequence", "flags", "angle_counts", "angle_age_us"):
            assert _numbers(own, name) == getattr(samples, name).tolist()
        expected = [None if n == NO_COUNTS else n for n in samples.load_counts.tolist()]
        assert _numbers(own, "load_counts") == expected
        assert _numbers(own, "device_time_us") == samples.device_us.tolist()
        times = [np.datetime64(row["host_time_utc"][:-1] or "NaT", "ns") for row in own]
        assert np.array_equal(np.array(times).view(np.int64), samples.host_unix_ns.view(np.int64))
    _, angles = _read_csv(files[1].path)
    assert _numbers(angles, "angle_counts") == whole.angles[2].angle_counts.tolist()
    _, statuses = _read_csv(files[2].path)
    assert _numbers(statuses, "uptime_ms") == [status.uptime_ms for status in whole.statuses]
    assert [float(row["temperature_celsius"]) for row in statuses] == [25.12] * 3
    _, events = _read_csv(files[3].path)
    assert [row["kind"] for row in events] == ["button_pressed"] * 3


def test_csv_says_where_it_is_from(recording: Path, tmp_path: Path) -> None:
    files = export_recording(recording, tmp_path / "visit", forces={0: _Scale()})
    comments, _ = _read_csv(files[0].path)
    origin = read_recording(recording).origin
    assert comments["steelyard_export_schema"] == "1"
    assert comments["table"] == "load"
    assert comments["recording_id"] == origin.recording_id
    assert comments["box_id"] == origin.box_id
    assert comments["client_code"] == "C-001"
    assert comments["calibration_channel_0"] == "sha256:made-up"
    assert "serial S1" in comments["channel_1"]
    assert "3 time marks" in comments["clock"]


def test_forces_stand_beside_the_counts_and_only_where_they_mean_something(
    recording: Path, tmp_path: Path
) -> None:
    files = export_recording(recording, tmp_path / "visit", forces={0: _Scale()})
    _, rows = _read_csv(files[0].path)
    faulty = SampleFlags.SATURATED_HIGH | SampleFlags.NO_CONVERSION
    for row in rows:
        usable = row["channel"] == "0" and not int(row["flags"]) & faulty
        assert bool(row["force_newtons"]) is usable
        if usable:
            assert float(row["force_newtons"]) == int(row["load_counts"]) / 100
            assert float(row["force_standard_uncertainty_newtons"]) == 0.25
            assert row["force_extrapolated"] == str(int(int(row["load_counts"]) > 150))
    assert any(row["force_newtons"] for row in rows)


def test_parquet_reads_back_equal(recording: Path, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    files = export_recording(
        recording, tmp_path / "visit", ExportFormat.PARQUET, forces={0: _Scale()}
    )
    whole = read_recording(recording)
    table = parquet.read_table(files[0].path)
    columns: dict[str, Any] = {name: table[name].to_pylist() for name in table.column_names}
    assert table.num_rows == files[0].rows_total
    for channel, samples in whole.loads.items():
        chosen = [index for index, value in enumerate(columns["channel"]) if value == channel]
        counts = [columns["load_counts"][index] for index in chosen]
        assert counts == [None if n == NO_COUNTS else n for n in samples.load_counts.tolist()]
        times = table["host_time_utc"].cast("int64").to_pylist()
        found = [times[index] for index in chosen]
        assert [np.iinfo(np.int64).min if t is None else t for t in found] == (
            samples.host_unix_ns.tolist()
        )
    forces = [f for f in columns["force_newtons"] if f is not None]
    assert forces == [
        counts / 100
        for counts, channel, flags in zip(
            columns["load_counts"], columns["channel"], columns["flags"], strict=True
        )
        if channel == 0 and flags == 0
    ]
    schema = table.schema
    assert schema.field("force_newtons").metadata[b"unit"] == b"N"
    assert schema.metadata[b"calibration_channel_0"] == b"sha256:made-up"
    assert str(schema.field("host_time_utc").type) == "timestamp[ns, tz=UTC]"


def test_decimal_commas(recording: Path, tmp_path: Path) -> None:
    """The same fields, as a spreadsheet set to commas reads them."""
    files = export_recording(
        recording, tmp_path / "comma", ExportFormat.CSV_COMMA, forces={0: _Scale()}
    )
    points = export_recording(recording, tmp_path / "point", forces={0: _Scale()})
    for comma, point in zip(files, points, strict=True):
        assert comma.rows_total == point.rows_total
        with_commas, with_points = (
            [line for line in file.path.read_text().splitlines() if line[0] != "#"]
            for file in (comma, point)
        )
        assert with_commas[0].split(";") == with_points[0].split(",")
        for one, other in zip(with_commas[1:], with_points[1:], strict=True):
            fields = [field.replace(",", ".") for field in one.split(";")]
            assert [field.rstrip("Z") for field in fields] == [
                field.rstrip("Z") for field in other.split(",")
            ]
    assert ";25,12;" in (tmp_path / "comma-status.csv").read_text()


def test_mcap_reads_back_equal(recording: Path, tmp_path: Path) -> None:
    reading = pytest.importorskip("mcap.reader")
    files = export_recording(recording, tmp_path / "visit", ExportFormat.MCAP, forces={0: _Scale()})
    assert {file.path.name for file in files} == {"visit.mcap"}
    whole = read_recording(recording)
    with files[0].path.open("rb") as stream:
        reader = reading.make_reader(stream, validate_crcs=True)
        rows: dict[str, list[tuple[int, dict[str, Any]]]] = {}
        schemas = {}
        for schema, channel, message in reader.iter_messages(log_time_order=False):
            rows.setdefault(channel.topic, []).append((message.log_time, json.loads(message.data)))
            schemas[channel.topic] = json.loads(schema.data)
        (metadata,) = reader.iter_metadata()
    assert {f"/{file.table}": file.rows_total for file in files} == {
        topic: len(items) for topic, items in rows.items()
    }
    own = [(time_ns, row) for time_ns, row in rows["/load"] if row["channel"] == 0]
    samples = whole.loads[0]
    counts = [None if n == NO_COUNTS else n for n in samples.load_counts.tolist()]
    assert [row["load_counts"] for _, row in own] == counts
    for (time_ns, row), host_ns, device_us in zip(
        own, samples.host_unix_ns.tolist(), samples.device_us.tolist(), strict=True
    ):
        unmarked = row["host_time_utc"] is None
        assert time_ns == (device_us * 1000 if unmarked else host_ns)
    forces = schemas["/load"]["properties"]["force_newtons"]
    assert forces == {"type": ["number", "null"], "description": "unit: N"}
    assert metadata.metadata["calibration_channel_0"] == "sha256:made-up"
    assert metadata.metadata["steelyard_export_schema"] == "1"
    assert "3 time marks" in metadata.metadata["clock"]


def test_mcap_holds_the_documents(maker: RecordingMaker, tmp_path: Path) -> None:
    reading = pytest.importorskip("mcap.reader")
    document = Document(DocumentKind.CALIBRATION, '{"made": "up"}')
    maker.open(documents=[document]).close()
    source = maker.folder / "made-1.steelyard"
    (file, *_) = export_recording(source, tmp_path / "visit", ExportFormat.MCAP)
    with file.path.open("rb") as stream:
        (attachment,) = reading.make_reader(stream).iter_attachments()
    assert attachment.data.decode() == document.text


@pytest.mark.parametrize("export_format", list(ExportFormat))
def test_every_export_says_schema_calibration_and_clock(
    recording: Path, tmp_path: Path, export_format: ExportFormat
) -> None:
    for package in ("pyarrow", "mcap"):
        pytest.importorskip(package)
    for file in export_recording(recording, tmp_path / "visit", export_format):
        data = file.path.read_bytes()
        for needed in (b"steelyard_export_schema", b"none: raw counts only", b"3 time marks"):
            assert needed in data


def test_tables_without_rows_have_their_header(maker: RecordingMaker, tmp_path: Path) -> None:
    maker.open().close()
    source = maker.folder / "made-1.steelyard"
    files = export_recording(source, tmp_path / "none")
    assert [file.rows_total for file in files] == [0, 0, 0, 0]
    assert "load_counts" in files[0].path.read_text()
    assert "no time marks" in files[0].path.read_text()


def test_nothing_is_overwritten_unasked(recording: Path, tmp_path: Path) -> None:
    (tmp_path / "visit-status.csv").write_text("precious")
    with pytest.raises(ExportError, match="1 of 4 files"):
        export_recording(recording, tmp_path / "visit")
    assert (tmp_path / "visit-status.csv").read_text() == "precious"
    assert not (tmp_path / "visit-load.csv").exists()
    export_recording(recording, tmp_path / "visit", force=True)
    assert (tmp_path / "visit-status.csv").read_text() != "precious"


def test_a_failure_leaves_no_half_file(
    recording: Path, tmp_path: Path, mocker: MockerFixture
) -> None:
    mocker.patch(
        "steelyard.recording.csv_sink.CsvSink.write",
        side_effect=OSError(28, "No space left on device"),
    )
    target = tmp_path / "out"
    target.mkdir()
    with pytest.raises(ExportError, match="Free some space"):
        export_recording(recording, target / "visit")
    assert list(target.iterdir()) == []


def test_a_folder_that_is_not_there(recording: Path, tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="Make the folder first") as refused:
        export_recording(recording, tmp_path / "missing" / "visit")
    assert "visit-load.csv: " in refused.value.what, "the name that was asked for"


def test_what_is_no_recording_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "text"
    path.write_text("hello\x00world\x00")
    with pytest.raises(RecordingFormatError):
        export_recording(path, tmp_path / "visit")


@pytest.mark.parametrize(
    ("package", "export_format"), [("pyarrow", ExportFormat.PARQUET), ("mcap", ExportFormat.MCAP)]
)
def test_without_its_package_the_message_says_what_to_install(
    recording: Path,
    tmp_path: Path,
    mocker: MockerFixture,
    package: str,
    export_format: ExportFormat,
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: object, **more: object) -> object:
        if name.split(".", maxsplit=1)[0] == package:
            raise ImportError(name)
        return real(name, *rest, **more)  # type: ignore[arg-type]

    mocker.patch("builtins.__import__", side_effect=without)
    with pytest.raises(ExportError, match=r"steelyard\[export\]"):
        export_recording(recording, tmp_path / "visit", export_format)
    assert [path.name for path in tmp_path.iterdir() if "visit" in path.name] == []


def test_progress_counts_both_passes(recording: Path, tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    export_recording(
        recording, tmp_path / "visit", progress=lambda done, total: seen.append((done, total))
    )
    size = recording.stat().st_size
    assert seen == [(size, 2 * size), (2 * size, 2 * size)]
