"""kill -9 at random moments, and what a power failure then leaves of the file.

``STEELYARD_KILLS=500`` and ``STEELYARD_EVERY_BYTE=1`` for the full run.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from end_to_end.test_unplug_and_replug import recorded_keys
from steelyard.recording.append_file import DEFAULT_SYNC_PERIOD_SECONDS
from steelyard.recording.reader import read_recording
from steelyard.recording.repair import repair
from steelyard.recording.validation_report import ValidationReport
from steelyard.recording.validator import validate

if not hasattr(os, "fork"):
    pytest.skip("kills forked processes", allow_module_level=True)

KILLS = int(os.environ.get("STEELYARD_KILLS", "20"))
POLL_SECONDS = 0.05
BUSY_SECONDS = 0.4
"""What a busy machine may keep a process between writing samples and handing them on."""
PAGE_BYTES = 4096

Key = tuple[str, int, int, int]


@dataclass
class Life:
    """What is known of one killed recorder."""

    path: Path
    synced_bytes: int = 0
    synced_ns: int = 0
    at_risk_seconds: float = 0.0
    """The longest that samples just written were younger than the last sync: what a power
    failure at that moment would have cost."""
    keys: list[Key] = field(default_factory=list)


def read_log(folder: Path, number: int) -> Life:
    life = Life(folder / f"{number}.steelyard")
    for line in (folder / f"{number}.log").read_text().splitlines():
        kind, *words = line.split()
        if kind == "S":
            life.synced_bytes, life.synced_ns = map(int, words)
        elif kind == "P":
            age_seconds = (int(words[0]) - life.synced_ns) / 1e9
            life.at_risk_seconds = max(life.at_risk_seconds, age_seconds)
            for name, *numbers in zip(*[iter(words[1:])] * 4, strict=True):
                boot, channel, sequence = map(int, numbers)
                life.keys.append((name, boot, channel, sequence))
        else:
            assert words == ["9"]
    return life


@pytest.fixture(scope="module")
def lives(tmp_path_factory: pytest.TempPathFactory) -> list[Life]:
    folder = tmp_path_factory.mktemp("killed")
    program = Path(__file__).with_name("killed_recorders.py")
    subprocess.run(
        [sys.executable, str(program), str(folder), str(KILLS), "1"],
        check=True,
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join(sys.path),
            "OPENBLAS_NUM_THREADS": "1",
        },
    )
    return [read_log(folder, number) for number in range(KILLS)]


def missing_untold(report: ValidationReport) -> int:
    """Samples missing that the box did not say it dropped.

    A box drops them when the computer lets a recorder wait for seconds, and says so in its
    next status frame: not the kill's doing, and nothing that was ever written.
    """
    status = read_recording(Path(report.path)).contents.table("status")
    if not len(status):
        return report.missing_total
    dropped = int(status.columns["dropped_total"][-1].sum())
    missing = sum(gap.missing for gap in report.gaps if gap.offset < status.offsets[-1])
    return max(0, missing - dropped)


@pytest.mark.slow
def test_nothing_that_was_written_is_lost_by_a_kill(lives: list[Life]) -> None:
    with_samples = 0
    for life in lives:
        if not life.path.exists() or not life.path.stat().st_size:
            assert not life.keys
            continue
        report = validate(life.path)
        assert report.frames_bad_total == 0
        assert missing_untold(report) == 0
        assert report.torn_tail_bytes == 0
        recorded = set(recorded_keys(life.path))
        assert recorded.issuperset(life.keys)
        with_samples += bool(life.keys)
    assert with_samples > 0.6 * len(lives)


@pytest.mark.slow
def test_a_power_failure_costs_what_was_not_synced_and_no_more(
    lives: list[Life], tmp_path: Path
) -> None:
    """Of what was not synced, any part may be missing, torn, or a page of zeros."""
    chance = random.Random(2)
    worst = 0.0
    for number, life in enumerate(lives):
        if not life.synced_bytes:
            continue
        worst = max(worst, life.at_risk_seconds)
        data = life.path.read_bytes()
        safe = tmp_path / f"safe-{number}.steelyard"
        safe.write_bytes(data[: life.synced_bytes])
        kept = validate(safe)
        assert kept.frames_bad_total == 0
        assert kept.torn_tail_bytes == 0
        for kind in ("cut", "zeros", "zero page"):
            left = bytearray(data[: chance.randrange(life.synced_bytes, len(data) + 1)])
            if kind == "zeros":
                left += bytes(chance.randrange(2 * PAGE_BYTES))
            elif kind == "zero page":
                begin = min(len(left), -(-life.synced_bytes // PAGE_BYTES) * PAGE_BYTES)
                left[begin : begin + PAGE_BYTES] = bytes(len(left[begin : begin + PAGE_BYTES]))
            path = tmp_path / f"{number}-{kind}.steelyard"
            path.write_bytes(left)
            report = validate(path)
            assert report.frames_good_total >= kept.frames_good_total
            assert set(recorded_keys(path)) >= set(recorded_keys(safe))
            if kind == "cut":
                assert report.frames_bad_total == 0
                fixed = repair(path, tmp_path / f"{number}-fixed.steelyard")
                assert fixed.kept_bytes + fixed.trimmed_bytes == len(left)
                assert validate(fixed.copy).torn_tail_bytes == 0
                assert path.read_bytes() == left
    assert worst < DEFAULT_SYNC_PERIOD_SECONDS + POLL_SECONDS + BUSY_SECONDS
    print(f"\nmost ever at risk: {worst:.3f} s, of {len(lives)} recorders killed")


def test_a_recording_of_the_recorder_cut_at_every_byte_of_its_last_page(
    lives: list[Life], tmp_path: Path
) -> None:
    """Reader and validator agree with what stands before the cut."""
    life = max(lives, key=lambda item: len(item.keys))
    data = life.path.read_bytes()
    path = tmp_path / "cut.steelyard"
    path.write_bytes(data)
    whole = read_recording(path)
    offsets = sorted(
        offset
        for samples in (*whole.loads.values(), *whole.angles.values())
        for offset in samples.offsets.tolist()
    )
    for size in range(
        len(data), len(data) - PAGE_BYTES, -1 if "STEELYARD_EVERY_BYTE" in os.environ else -97
    ):
        os.truncate(path, size)
        cut = read_recording(path)
        found = sum(map(len, (*cut.loads.values(), *cut.angles.values())))
        # A sample's frame is 31 bytes and its delimiter.
        assert found == sum(offset + 32 <= size for offset in offsets)
        assert cut.corrupt == ()
