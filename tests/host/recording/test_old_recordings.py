"""Recordings of every format version ever released stay readable, with the very same content.

``tests/fixtures/recordings`` holds one for each version, frozen: made with the
simulator by the recorder of that version, and what was in it, counted then.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from steelyard.recording.export import export_recording
from steelyard.recording.file_format import FORMAT_MAJOR, FORMAT_MINOR
from steelyard.recording.overview import make_overview
from steelyard.recording.reader import read_recording
from steelyard.recording.span import read_span
from steelyard.recording.validator import validate
from steelyard.transport.replay import played_frames

FOLDER = Path(__file__).parents[2] / "fixtures" / "recordings"
FIXTURES = sorted(FOLDER.glob("format-*.steelyard"))


def content(path: Path) -> dict[str, Any]:
    """What a recording holds, as plain data."""
    report, whole = validate(path), read_recording(path)
    channels = {
        str(channel): {
            "samples": len(samples),
            "first_sequence": int(samples.sequence[0]),
            "last_sequence": int(samples.sequence[-1]),
            "counts_sha256": hashlib.sha256(counts.astype("<i4").tobytes()).hexdigest(),
            "device_us_sha256": hashlib.sha256(
                samples.device_us.astype("<i8").tobytes()
            ).hexdigest(),
            "flags_or": int(np.bitwise_or.reduce(samples.flags)),
        }
        for channel, samples, counts in [
            *((number, item, item.load_counts) for number, item in whole.loads.items()),
            *((number, item, item.angle_counts) for number, item in whole.angles.items()),
        ]
    }
    return {
        "bytes": report.size_bytes,
        "format_version": report.format_version,
        "frames": report.frames_by_message,
        "bad_frames": report.frames_bad_total,
        "findings": sorted(finding.code for finding in report.findings),
        "machine": whole.origin.machine,
        "client_code": whole.origin.client_code,
        "recording_id": whole.origin.recording_id,
        "documents": [[item.kind, item.text] for item in whole.documents],
        "boots": len(whole.boot_ids),
        "channels": channels,
    }


@pytest.mark.parametrize("path", FIXTURES, ids=lambda path: path.stem)
def test_its_content_is_what_it_was(path: Path) -> None:
    expected = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    assert content(path) == expected
    assert path.stat().st_size < 100_000


@pytest.mark.parametrize("path", FIXTURES, ids=lambda path: path.stem)
def test_everything_that_reads_recordings_reads_it(path: Path, tmp_path: Path) -> None:
    samples = sum(item["samples"] for item in content(path)["channels"].values())
    files = export_recording(path, tmp_path / "old")
    assert sum(file.rows_total for file in files if file.table in ("load", "angle")) == samples
    found = make_overview(path)
    totals = [channel.counts for channel in found.channels]
    assert sum(int((c.usable_total + c.unusable_total).sum()) for c in totals) == samples
    assert 0 < len(read_span(path, 1, 2).loads[0]) < 240
    with path.open("rb") as file:
        played = sum(1 for _ in played_frames(file))
    assert played == sum(content(path)["frames"].values())


def test_the_present_format_has_its_fixture() -> None:
    assert f"format-{FORMAT_MAJOR}.{FORMAT_MINOR}" in {path.stem for path in FIXTURES}
