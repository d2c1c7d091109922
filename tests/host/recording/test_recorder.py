"""The recorder against a box in virtual time: what arrived is in the file, all else is counted."""

from __future__ import annotations

import errno
import random
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from host.recording.virtual_box import Cable, VirtualBox
from pytest_mock import MockerFixture
from steelyard.errors import (
    DeviceNotFoundError,
    RecordingFormatError,
    RecordingStorageError,
    WrongDeviceError,
)
from steelyard.recording.file_format import Subject
from steelyard.recording.reader import Recording, read_recording
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.recording.recording_progress import RecordingProgress
from steelyard.recording.validator import validate
from steelyard.transport.link_machine import Backoff
from steelyard.transport.reconnecting import ReconnectingLink
from steelyard_protocol import codec

QUICK = Backoff(shortest=0.05, steady=0.2)
"""Outages follow each other faster in these tests than a real cable is ever pulled."""


@pytest.fixture
def box() -> VirtualBox:
    return VirtualBox()


@pytest.fixture
def cable(box: VirtualBox) -> Cable:
    return Cable(box)


def _record(
    cable: Cable,
    folder: Path,
    seconds: float | None = 10,
    on_progress: Callable[[RecordingProgress], None] | None = None,
    **plan: object,
) -> tuple[RecordingProgress, Recording]:
    path = folder / "visit.steelyard"
    planned = RecordingPlan(path, Subject("Heron", "C-001"), duration_seconds=seconds, **plan)  # type: ignore[arg-type]
    done = Recorder(ReconnectingLink(cable.open, QUICK), planned, on_progress).run()
    return done, read_recording(path)


def _numbers(recording: Recording) -> list[tuple[int, int]]:
    samples = recording.loads[0]
    boots = [recording.boot_ids[index] for index in samples.boot_index.tolist()]
    return list(zip(boots, samples.sequence.tolist(), strict=True))


def test_ten_seconds(cable: Cable, box: VirtualBox, tmp_path: Path) -> None:
    done, recording = _record(cable, tmp_path)
    assert _numbers(recording) == box.delivered
    assert done.samples_total == len(box.delivered) == pytest.approx(800, abs=3)
    assert done.elapsed_seconds == pytest.approx(10, abs=0.1)
    assert (done.missing_total, done.corrupt_frames_total, done.losses_total) == (0, 0, 0)
    assert done.size_bytes > 0
    report = validate(tmp_path / "visit.steelyard")
    assert report.findings == []
    assert recording.origin.machine == "Heron"
    assert not box.streaming


def test_host_times_are_those_of_the_virtual_host(cable: Cable, tmp_path: Path) -> None:
    """Device and host clock run alike here, so the fit must give the latency of one way."""
    start_ns = cable.box.clock.unix_ns()
    _, recording = _record(cable, tmp_path)
    samples = recording.loads[0]
    expected = start_ns + (samples.device_us - 1_000_000) * 1000
    assert abs(samples.host_unix_ns - expected).max() < 1_000_000


def test_clock_marks_come_faster_at_first(cable: Cable, tmp_path: Path) -> None:
    done, recording = _record(cable, tmp_path, 20)
    times = [mark.host_monotonic_ns / 1e9 for mark in recording.time_marks]
    steps = [later - earlier for earlier, later in pairwise(times)]
    assert done.time_marks_total == len(times) == pytest.approx(20 + 15, abs=2)
    assert max(steps[:18]) < 0.35
    assert min(steps[-10:]) > 0.9
    assert max(steps) < 1.2


def test_unplugged_and_plugged_again_with_the_box_running_on(
    cable: Cable, box: VirtualBox, tmp_path: Path
) -> None:
    cable.plan = [(3.003, cable.unplug), (5, cable.plug)]
    done, recording = _record(cable, tmp_path)
    assert _numbers(recording) == box.delivered
    numbers = [number for _, number in box.delivered]
    missing = numbers[-1] - numbers[0] + 1 - len(numbers)
    assert missing > 100
    report = validate(tmp_path / "visit.steelyard")
    assert report.missing_total == done.missing_total == missing
    assert report.channels[0].missing_across_links_total == missing
    assert (done.losses_total, done.openings_total, done.reboots_total) == (1, 2, 0)
    assert [change.state for change in recording.link_changes] == [1, 2, 1, 3]
    assert {finding.code for finding in report.findings} == {"gaps", "link_lost"}


def test_unplugged_so_that_the_box_restarts(cable: Cable, box: VirtualBox, tmp_path: Path) -> None:
    cable.plan = [(3, cable.unplug), (4, box.reboot), (4.5, cable.plug)]
    done, recording = _record(cable, tmp_path)
    assert _numbers(recording) == box.delivered
    assert len(recording.boot_ids) == 2
    assert done.reboots_total == 1
    assert box.starts_total == 2
    report = validate(tmp_path / "visit.steelyard")
    assert report.missing_total == 0
    assert {finding.code for finding in report.findings} == {"link_lost", "reboots"}


def test_a_restart_behind_the_open_link(cable: Cable, box: VirtualBox, tmp_path: Path) -> None:
    cable.plan = [(3, box.reboot)]
    done, recording = _record(cable, tmp_path)
    assert _numbers(recording) == box.delivered
    assert Counter(boot for boot, _ in box.delivered)[box.source.boot_id] > 300
    assert (done.reboots_total, done.losses_total) == (1, 0)


def test_two_hundred_outages_of_every_kind(cable: Cable, box: VirtualBox, tmp_path: Path) -> None:
    """Every sample that reached the host is in the file, in order; every gap is exact."""
    chance = random.Random(20)
    cable.broken_bytes = 13
    moment = 0.5
    for index in range(200):
        moment += 0.3 + 0.4 * chance.random()
        cable.plan.append((moment, cable.unplug))
        moment += 0.02 + 0.3 * chance.random()
        if index % 3 == 0:
            cable.plan.append((moment, box.reboot))
        cable.plan.append((moment, cable.plug))
        moment += 0.6 + 0.4 * chance.random()
    done, recording = _record(cable, tmp_path, moment + 2)
    assert _numbers(recording) == box.delivered
    assert done.losses_total == 200
    assert done.dropped_bytes_total == 200 * 13
    assert done.skipped_bytes_total == 133 * (31 - 13)  # a restarted box does not go on
    assert len(recording.boot_ids) == 68  # 67 restarts
    report = validate(tmp_path / "visit.steelyard")
    spans: dict[int, list[int]] = {}
    for boot, number in box.delivered:
        spans.setdefault(boot, []).append(number)
    true_gaps = [
        (boot, earlier + 1, later - earlier - 1)
        for boot, numbers in spans.items()
        for earlier, later in pairwise(numbers)
        if later != earlier + 1
    ]
    found = [(gap.boot_id, gap.first_missing_sequence, gap.missing) for gap in report.gaps]
    assert found == true_gaps
    assert report.missing_total == sum(missing for _, _, missing in true_gaps)
    assert all(gap.across_link_change for gap in report.gaps)
    assert report.frames_bad_total == 0
    assert (report.links_opened_total, report.links_lost_total) == (201, 200)


def test_another_box_is_refused_and_the_right_one_awaited(
    cable: Cable, box: VirtualBox, tmp_path: Path
) -> None:
    right = box.box_id

    def swap(box_id: bytes) -> Callable[[], None]:
        def act() -> None:
            box.box_id = box_id
            box.reboot()
            cable.plug()

        return act

    cable.plan = [
        (2, cable.unplug),
        (2.2, swap(b"\x99" * 8)),
        (6, cable.unplug),
        (6.1, swap(right)),
    ]
    waits: set[str] = set()
    _, recording = _record(
        cable, tmp_path, 12, lambda progress: waits.add(progress.waiting_because)
    )
    assert {identity.box_id for identity in recording.identities} == {right}
    assert len(recording.boot_ids) == 2
    remarks = [codec.plain_text(remark.text) for remark in recording.annotations]
    assert sum("answers box 9999999999999999" in remark for remark in remarks) == 1


def test_a_box_that_falls_silent_is_reached_again(
    cable: Cable, box: VirtualBox, tmp_path: Path
) -> None:
    def thaw() -> None:
        box.frozen = False
        box.reboot()

    cable.plan = [(2, lambda: setattr(box, "frozen", True)), (12, thaw)]
    done, recording = _record(cable, tmp_path, 25)
    assert _numbers(recording) == box.delivered
    assert done.losses_total == 1
    assert done.clock_timeouts_total >= 1
    assert len(recording.boot_ids) == 2


def test_a_box_that_does_not_compare_clocks_is_recorded_all_the_same(
    cable: Cable, box: VirtualBox, tmp_path: Path
) -> None:
    box.answers_clock = False
    done, recording = _record(cable, tmp_path, 6)
    assert _numbers(recording) == box.delivered
    assert done.time_marks_total == 0
    assert done.clock_timeouts_total >= 2
    report = validate(tmp_path / "visit.steelyard")
    assert {finding.code for finding in report.findings} == {"time_marks_missing"}


def test_samples_that_come_while_a_request_waits_are_recorded_even_if_the_link_breaks(
    cable: Cable, box: VirtualBox, tmp_path: Path
) -> None:
    box.answers_clock = False  # so that the recorder is waiting for an answer at 1 s
    cable.plan = [(1, cable.unplug), (1.5, cable.plug)]
    done, recording = _record(cable, tmp_path, 4)
    assert done.losses_total == 1
    assert _numbers(recording) == box.delivered
    assert box.delivered[0][1] < 5


def test_a_box_that_does_not_stop_is_left_alone_and_its_last_samples_kept(
    cable: Cable, box: VirtualBox, tmp_path: Path
) -> None:
    box.answers_stop = False
    _, recording = _record(cable, tmp_path, 3)
    assert _numbers(recording) == box.delivered
    assert len(box.delivered) > 4 * 80  # three seconds, and the wait for the answer


def test_stopped_by_hand_with_remarks(cable: Cable, tmp_path: Path) -> None:
    path = tmp_path / "visit.steelyard"
    seen: list[float] = []
    recorder = Recorder(ReconnectingLink(cable.open), RecordingPlan(path))

    def poll(_: object) -> None:
        seen.append(recorder.progress.elapsed_seconds)
        if len(seen) == 50:
            recorder.annotate("client felt a pull, ended early")
            with pytest.raises(RecordingFormatError):
                recorder.annotate("x" * 161)
        if len(seen) == 100:
            recorder.stop()

    recorder._on_poll = poll
    done = recorder.run()
    recording = read_recording(path)
    assert done.duration_seconds is None
    assert 0.5 < done.elapsed_seconds < 5
    (remark,) = recording.annotations
    assert codec.plain_text(remark.text) == "client felt a pull, ended early"
    assert recording.link_changes[-1].state == 3


def test_an_outage_at_the_end_is_no_obstacle(cable: Cable, tmp_path: Path) -> None:
    cable.plan = [(4, cable.unplug)]
    done, recording = _record(cable, tmp_path, 6)
    assert done.elapsed_seconds >= 6
    assert [change.state for change in recording.link_changes] == [1, 2, 3]


def test_a_full_disk_ends_the_recording_and_frees_the_port(
    cable: Cable, box: VirtualBox, tmp_path: Path, mocker: MockerFixture
) -> None:
    real = __import__("os").write
    cable.plan = [
        (
            3,
            lambda: mocker.patch(
                "steelyard.recording.append_file.os.write",
                side_effect=OSError(errno.ENOSPC, "No space left on device"),
            ),
        )
    ]
    link = ReconnectingLink(cable.open)
    path = tmp_path / "visit.steelyard"
    with pytest.raises(RecordingStorageError, match="Free some space"):
        Recorder(link, RecordingPlan(path, duration_seconds=10)).run()
    assert link.transport is None
    assert real is not None
    report = validate(path)
    assert report.frames_bad_total == 0
    assert report.channels[0].samples_total > 200


def test_an_existing_file_is_refused_and_the_port_given_back(
    cable: Cable, box: VirtualBox, tmp_path: Path
) -> None:
    path = tmp_path / "visit.steelyard"
    path.write_text("precious")
    link = ReconnectingLink(cable.open)
    with pytest.raises(RecordingStorageError, match="exists already"):
        Recorder(link, RecordingPlan(path, duration_seconds=1)).run()
    assert link.transport is None
    assert not box.streaming
    assert path.read_text() == "precious"


def test_without_a_box_nothing_is_made(cable: Cable, box: VirtualBox, tmp_path: Path) -> None:
    box.plugged = False
    with pytest.raises(DeviceNotFoundError):
        _record(cable, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_the_wrong_box_to_begin_with_is_an_error(cable: Cable, tmp_path: Path) -> None:
    with pytest.raises(WrongDeviceError):
        _record(cable, tmp_path, box_id=b"\x01" * 8)
    assert list(tmp_path.iterdir()) == []


def test_a_recording_played_back_and_recorded_again_is_the_same(
    cable: Cable, tmp_path: Path
) -> None:
    _, first = _record(cable, tmp_path)
    copy = tmp_path / "again.steelyard"
    Recorder(ReconnectingLink(f"replay:{first.path}?speed=max"), RecordingPlan(copy)).run()
    again = read_recording(copy)
    for name in ("sequence", "load_counts", "flags"):
        assert (getattr(again.loads[0], name) == getattr(first.loads[0], name)).all()
    assert again.origin.box_id == first.origin.box_id
