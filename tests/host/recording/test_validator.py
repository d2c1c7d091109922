"""Recordings damaged by hand: every count exact, every verdict as stated."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from host.recording.ideal_box import BOOT, FrameSource, RecordingMaker, decoded, encoded
from steelyard.recording.documents import Document
from steelyard.recording.validation_report import ValidationReport, Verdict
from steelyard.recording.validator import validate
from steelyard_protocol import codec, records
from steelyard_protocol.decoder import Message, StreamDecoder
from steelyard_protocol.frame import encode_frame
from steelyard_protocol.messages import TICKS_PERIOD_US
from steelyard_protocol.records import DocumentKind, EventKind, SampleFlags


def _codes(report: ValidationReport) -> set[str]:
    return {finding.code for finding in report.findings}


def _offset_of(path: Path, nth: int, kind: type = records.LoadSample) -> int:
    events = StreamDecoder().feed(path.read_bytes())
    found = [e for e in events if isinstance(e, Message) and isinstance(e.record, kind)]
    return found[nth].offset


def _edit(path: Path, start: int, stop: int, replacement: bytes) -> Path:
    data = path.read_bytes()
    path.write_bytes(data[:start] + replacement + data[stop:])
    return path


# --- sound ---------------------------------------------------------------------


def test_a_sound_recording(maker: RecordingMaker) -> None:
    report = validate(maker.seconds(5))
    assert report.findings == []
    assert report.verdict is Verdict.SOUND
    assert report.passes(strict=True)
    assert report.frames_by_message["load_sample"] == 800
    assert report.frames_by_message["angle_sample"] == 1000
    assert report.frames_by_message["status"] == 5
    assert report.frames_good_total == sum(report.frames_by_message.values())
    assert [channel.samples_total for channel in report.channels] == [400, 400, 1000]
    assert [channel.kind for channel in report.channels] == ["load", "load", "arm_angle"]
    assert report.channels[0].measured_rate_hz == pytest.approx(80, rel=1e-9)
    assert report.channels[2].measured_rate_hz == pytest.approx(200, rel=1e-9)
    assert report.boots[0].time_marks_total == 5
    assert report.boots[0].samples_total == 1800
    assert report.boots[0].clock_fast_ppm == pytest.approx(0, abs=0.1)
    assert report.is_closed
    assert report.origin.box_id == "1122334455667700"
    assert report.origin.client_code == "C-001"


def test_the_report_is_plain_data_and_readable_lines(maker: RecordingMaker) -> None:
    report = validate(maker.seconds(1))
    data = json.loads(report.to_json())
    assert data["verdict"] == "sound"
    assert data["channels"][1]["samples_total"] == 80
    lines = report.lines()
    assert lines[0].endswith(": sound")
    assert any("boot 01234567" in line for line in lines)


def test_progress_reaches_the_end(maker: RecordingMaker) -> None:
    path = maker.seconds(1)
    seen: list[tuple[int, int]] = []
    validate(path, lambda done, total: seen.append((done, total)))
    assert seen[-1] == (path.stat().st_size, path.stat().st_size)


# --- damage ----------------------------------------------------------------------


def test_a_flipped_bit_costs_one_frame_and_is_found(maker: RecordingMaker) -> None:
    path = maker.seconds(2)
    offset = _offset_of(path, 100)
    _edit(path, offset + 15, offset + 16, bytes([path.read_bytes()[offset + 15] ^ 0x40 or 1]))
    report = validate(path)
    assert (report.frames_bad_total, report.garbage_bytes_total) == (1, 31)
    assert report.bad_places == [offset]
    assert report.bad_reasons == {"CRC": 1}
    assert report.missing_total == 1
    assert _codes(report) == {"bad_frames", "gaps"}
    assert report.verdict is Verdict.DAMAGED
    assert not report.passes()


def test_garbage_between_frames_is_measured(maker: RecordingMaker) -> None:
    path = maker.seconds(1)
    offset = _offset_of(path, 50)
    report = validate(_edit(path, offset, offset, b"g" * 1000 + b"\x00"))
    assert (report.frames_bad_total, report.garbage_bytes_total) == (1, 1000)
    assert report.bad_reasons == {"too long": 1}
    assert report.missing_total == 0


def test_a_sample_that_vanished_is_damage(maker: RecordingMaker) -> None:
    path = maker.seconds(2)
    offset = _offset_of(path, 100)
    report = validate(_edit(path, offset, offset + 32, b""))
    assert report.missing_total == 1
    assert report.frames_bad_total == 0
    (gap,) = report.gaps
    assert (gap.message, gap.channel, gap.missing) == ("load_sample", 0, 1)
    assert gap.first_missing_sequence == 50
    assert _codes(report) == {"gaps", "unexplained_gaps"}
    assert report.verdict is Verdict.DAMAGED


def test_without_its_header_a_recording_is_damaged(maker: RecordingMaker) -> None:
    path = maker.seconds(1)
    report = validate(_edit(path, 0, 128, b""))
    assert "header_missing" in _codes(report)
    assert report.frames_by_message["load_sample"] == 160


def test_two_recordings_in_one_file(maker: RecordingMaker) -> None:
    first, second = maker.seconds(1), maker.seconds(1)
    first.write_bytes(first.read_bytes() + second.read_bytes())
    assert "several_headers" in _codes(validate(first))


def test_a_newer_format_is_not_guessed_at(maker: RecordingMaker) -> None:
    path = maker.seconds(1)
    header = decoded(path.read_bytes())[0][0]
    assert isinstance(header, records.RecordingHeader)
    newer = codec.encode(header._replace(format_major=2))
    report = validate(_edit(path, 0, len(newer), newer))
    assert _codes(report) == {"version_unsupported"}
    assert report.verdict is Verdict.DAMAGED
    assert "version 2" in report.findings[0].text


def test_a_missing_part_of_a_document(maker: RecordingMaker) -> None:
    document = Document(DocumentKind.CALIBRATION, "c" * 500)
    with maker.open(documents=[document]) as writer:
        writer.link_opened()
    offset = _offset_of(writer.path, 1, records.RecordingDocument)
    report = validate(_edit(writer.path, offset, offset + 224, b""))
    assert "document_incomplete" in _codes(report)
    assert report.documents == []


def test_samples_out_of_order(maker: RecordingMaker) -> None:
    path = maker.seconds(1)
    offset = _offset_of(path, 40)
    old = path.read_bytes()[offset : offset + 32]
    later = _offset_of(path, 80)
    report = validate(_edit(path, later, later, old))
    assert sum(channel.out_of_order_total for channel in report.channels) == 1
    assert _codes(report) == {"out_of_order"}
    assert report.verdict is Verdict.DAMAGED


# --- what the box or the link accounts for -------------------------------------------


def _with_drops(maker: RecordingMaker, counted: tuple[int, int, int, int], dropped: int) -> Path:
    """Four seconds; ``dropped`` samples of channel 0 vanish in the second one."""
    with maker.open() as writer:
        writer.describe_box(maker.source.identity(), maker.source.channels())
        writer.link_opened()
        for second in range(4):
            if second == 1:
                maker.source.skip(0, dropped)
            counters = (counted[second], *(0,) * 7)
            writer.append_device_bytes(encoded(maker.source.second(second, counters)))
            maker.clock.advance_s(1)
            writer.mark_time(maker.source.mark(second + 1, maker.clock))
    return writer.path


def test_what_the_box_dropped_and_said_so_is_a_remark(maker: RecordingMaker) -> None:
    report = validate(_with_drops(maker, (0, 5, 5, 5), 5))
    channel = report.channels[0]
    assert (channel.missing_total, channel.dropped_by_box_total) == (5, 5)
    assert channel.counters_agree is True
    assert report.verdict is Verdict.REMARKS
    assert _codes(report) == {"gaps"}
    assert report.passes()
    assert not report.passes(strict=True)


def test_the_box_admits_to_fewer_than_are_missing(maker: RecordingMaker) -> None:
    report = validate(_with_drops(maker, (0, 3, 3, 3), 5))
    assert report.verdict is Verdict.DAMAGED
    assert "unexplained_gaps" in _codes(report)
    assert any("2 samples vanished" in finding.text for finding in report.findings)


def test_the_box_says_it_dropped_what_is_here(maker: RecordingMaker) -> None:
    report = validate(_with_drops(maker, (0, 5, 5, 5), 0))
    assert report.channels[0].counters_agree is False
    assert "counters_disagree" in _codes(report)


def test_drops_of_the_last_moment_have_no_gap_yet(maker: RecordingMaker) -> None:
    report = validate(_with_drops(maker, (0, 0, 0, 7), 0))
    assert report.channels[0].counters_agree is True
    assert report.verdict is Verdict.SOUND


def test_drops_from_before_the_recording_do_not_count(maker: RecordingMaker) -> None:
    report = validate(_with_drops(maker, (90, 95, 95, 95), 5))
    assert report.channels[0].dropped_by_box_total == 5
    assert report.channels[0].counters_agree is True


def test_samples_lost_while_the_link_was_away(maker: RecordingMaker) -> None:
    with maker.open() as writer:
        writer.describe_box(maker.source.identity(), maker.source.channels())
        writer.link_opened()
        writer.append_device_bytes(encoded(maker.source.second(0)))
        writer.mark_time(maker.source.mark(1, maker.clock))
        writer.link_lost()
        maker.source.skip(0, 160)
        maker.source.skip(1, 160)
        maker.source.skip(2, 400, "angle")
        writer.link_opened()
        writer.append_device_bytes(encoded(maker.source.second(3)))
    report = validate(writer.path)
    assert report.missing_total == 720
    assert [gap.missing for gap in report.gaps] == [160, 160, 400]
    assert all(gap.across_link_change for gap in report.gaps)
    assert (report.links_opened_total, report.links_lost_total) == (2, 1)
    assert _codes(report) == {"gaps", "link_lost"}
    assert report.verdict is Verdict.REMARKS


def test_a_reboot_is_a_remark_and_splits_the_clock(maker: RecordingMaker) -> None:
    again = FrameSource(boot_id=BOOT + 1, ticks_at_start_us=77)
    with maker.open() as writer:
        writer.describe_box(maker.source.identity(), maker.source.channels())
        writer.link_opened()
        for index, source in enumerate((maker.source, again)):
            for second in range(2):
                writer.append_device_bytes(encoded(source.second(second)))
                maker.clock.advance_s(1)
                writer.mark_time(source.mark(second + 1, maker.clock))
            maker.clock.advance_s(5 - index)
    report = validate(writer.path)
    assert [boot.boot_id for boot in report.boots] == [BOOT, BOOT + 1]
    assert [boot.samples_total for boot in report.boots] == [720, 720]
    assert report.missing_total == 0
    assert _codes(report) == {"reboots"}


# --- remarks --------------------------------------------------------------------------


def test_a_torn_tail_is_ignored_and_counted(maker: RecordingMaker) -> None:
    path = maker.seconds(1)
    size = path.stat().st_size
    report = validate(_edit(path, size - 8, size, b""))
    assert report.torn_tail_bytes == 24  # of the closing frame's 28 bytes and its padding
    assert report.frames_bad_total == 0
    assert _codes(report) == {"torn_tail", "not_closed"}
    assert report.verdict is Verdict.REMARKS


def test_repeated_frames(maker: RecordingMaker) -> None:
    path = maker.seconds(1)
    offset = _offset_of(path, 10)
    report = validate(_edit(path, offset, offset, path.read_bytes()[offset : offset + 32]))
    assert sum(channel.duplicates_total for channel in report.channels) == 1
    assert _codes(report) == {"duplicates"}


def test_frames_of_a_newer_program(maker: RecordingMaker) -> None:
    with maker.open() as writer:
        writer.describe_box(maker.source.identity(), maker.source.channels())
        writer.append_device_bytes(encode_frame(b"\x7fnew") + encoded(maker.source.second(0)))
        writer.mark_time(maker.source.mark(1, maker.clock))
    report = validate(writer.path)
    assert report.unknown_frames_total == 1
    assert _codes(report) == {"unknown_frames"}


def test_flags_are_counted_by_name(maker: RecordingMaker) -> None:
    source = maker.source
    flags = [SampleFlags.SATURATED_HIGH, SampleFlags.SATURATED_HIGH | SampleFlags.SUSPECT]
    settling = [source.load(0, SampleFlags.SETTLING) for _ in range(4)]
    with maker.open() as writer:
        writer.describe_box(source.identity(), source.channels())
        writer.append_device_bytes(encoded(settling + [source.load(0, flag) for flag in flags]))
        writer.mark_time(source.mark(1, maker.clock))
    report = validate(writer.path)
    assert report.channels[0].flags == {"saturated_high": 2, "settling": 4, "suspect": 1}
    assert _codes(report) == {"flagged_samples"}
    assert "saturated_high 2, suspect 1 of 6 samples" in report.findings[0].text


@pytest.mark.parametrize(
    ("rate_hz", "remarked"), [(75, True), (80, False), (94, False), (97, True)]
)
def test_the_rate_a_converter_may_have(tmp_path: Path, rate_hz: float, remarked: bool) -> None:
    """80 to 94 samples/s are within what the part does (its data sheet gives 80 as typical)."""
    maker = RecordingMaker(tmp_path, source=FrameSource(rate_hz=rate_hz))
    report = validate(maker.seconds(3))
    assert report.channels[0].measured_rate_hz == pytest.approx(rate_hz, rel=1e-6)
    assert ("wrong_rate" in _codes(report)) is remarked


def test_the_rate_is_right_across_a_wrap_of_the_clock(tmp_path: Path) -> None:
    source = FrameSource(ticks_at_start_us=TICKS_PERIOD_US - 1_500_000)
    report = validate(RecordingMaker(tmp_path, source=source).seconds(3))
    assert report.findings == []
    assert report.channels[0].measured_rate_hz == pytest.approx(80, rel=1e-9)


def test_without_time_marks(maker: RecordingMaker) -> None:
    with maker.open() as writer:
        writer.describe_box(maker.source.identity(), maker.source.channels())
        writer.append_device_bytes(encoded(maker.source.second(0)))
    assert _codes(validate(writer.path)) == {"time_marks_missing"}


def test_the_clock_fit_finds_a_fast_crystal(maker: RecordingMaker) -> None:
    """The box's second is 40 ppm short of the host's: its clock runs 40 ppm fast."""
    with maker.open() as writer:
        writer.describe_box(maker.source.identity(), maker.source.channels())
        for second in range(60):
            writer.append_device_bytes(encoded(maker.source.second(second)))
            maker.clock.advance_s(1 / (1 + 40e-6))
            writer.mark_time(maker.source.mark(second + 1, maker.clock))
    boot = validate(writer.path).boots[0]
    assert boot.clock_fast_ppm == pytest.approx(40, abs=1)
    assert boot.clock_residual_worst_us is not None
    assert boot.clock_residual_worst_us < 2


def test_a_recording_without_samples_or_box(maker: RecordingMaker) -> None:
    maker.open().close()
    report = validate(maker.folder / "made-1.steelyard")
    assert _codes(report) == {"no_samples", "identity_missing"}
    assert report.verdict is Verdict.REMARKS


def test_a_recording_that_is_still_going_on(maker: RecordingMaker) -> None:
    with maker.open() as writer:
        writer.describe_box(maker.source.identity(), maker.source.channels())
        writer.append_device_bytes(encoded(maker.source.second(0)))
        writer.mark_time(maker.source.mark(1, maker.clock))
        assert _codes(validate(writer.path)) == {"not_closed"}


def test_events_annotations_and_documents_are_listed(maker: RecordingMaker) -> None:
    source = maker.source
    with maker.open(documents=[Document(DocumentKind.MACHINE, "{}")]) as writer:
        writer.describe_box(source.identity(), source.channels())
        pressed = [source.event(t / 10, EventKind.BUTTON_PRESSED) for t in range(3)]
        writer.append_device_bytes(encoded([*pressed, source.event(1, 99)]))
        writer.annotate("first repetition")
    report = validate(writer.path)
    assert report.events == {"button_pressed": 3, "kind_99": 1}
    assert report.annotations_total == 1
    assert report.documents == ["machine"]


def test_long_lists_are_cut_for_people_and_whole_for_programs(maker: RecordingMaker) -> None:
    with maker.open() as writer:
        for index in range(25):
            source = FrameSource(boot_id=BOOT + index)
            writer.append_device_bytes(encoded([source.load(0)]))
            source.skip(0, 2)
            writer.append_device_bytes(encoded([source.load(0)]))
    report = validate(writer.path)
    assert len(report.boots) == len(report.gaps) == 25
    lines = "\n".join(report.lines())
    assert "and 5 more gaps" in lines
    assert "and 5 more starts of the box" in lines
