"""What gets out to the client's display, and what must not."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from typing import Any

import pytest
from steelyard.guidance.cautions import CAUTIONS
from steelyard.guidance.machine_scales import MachineScales
from steelyard.guidance.views import SetView, StepState, Tone, Words
from steelyard.guidance.visit import Visit
from steelyard.screen.live.points import Mark, PointMaker, Track
from steelyard.screen.visit.client_view import ClientViewMaker
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.session_analysis import SessionFacts

HERON = ready_profile("heron")
SECRET = "C-777"
ALLOWED = {
    "headline", "detail", "word", "stop", "plot", "count", "countdown", "target_nm", "zero_nm",
    "top_nm", "band_nm", "trace_since_us", "pace", "way", "last",
}  # fmt: skip


def a_visit() -> Visit:
    facts = SessionFacts(body_mass_kg=81.25, stature_metres=1.777)
    scales = MachineScales.of(HERON, {}, "2026-01-01T00:00:00Z")
    return Visit(scales, SECRET, facts, cautions=("secret caution",))


def test_nothing_personal_gets_out() -> None:
    visit = a_visit()
    visit.acknowledge("XY")
    maker = ClientViewMaker(HERON.torque_limit_nm)
    for number in range(len(visit.steps)):
        visit.go_to(number)
        told = json.dumps(maker.view(visit.view(time.monotonic())))
        for secret in (SECRET, "81.25", "1.777", "secret caution", "XY", CAUTIONS[0][:20]):
            assert secret not in told
        assert set(json.loads(told)) <= ALLOWED


def test_a_stop_is_said_whatever_else() -> None:
    visit = a_visit()
    visit.stop("pain, said C-777")
    told = ClientViewMaker(HERON.torque_limit_nm).view(visit.view(time.monotonic()))
    assert told["stop"] is True
    assert told["word"] == "STOP"
    assert SECRET not in json.dumps(told)


@pytest.mark.parametrize(
    ("tone", "headline"), [(Tone.CHANGE, "Slowly back"), (Tone.STOP, "Stop here")]
)
def test_a_slip_leaves_what_to_do_unless_that_is_to_stop(tone: Tone, headline: str) -> None:
    visit = a_visit()
    visit.go_to(len(visit.steps) - 1)
    seen = visit.view(time.monotonic())
    assert isinstance(seen.step, SetView)
    words = Words("said", "Stop here", tone, "Well done.")
    running = {"state": StepState.RUNNING, "phase": "concentric"}
    step = replace(seen.step, words=words, slips=("Hips moving",), **running)  # type: ignore[arg-type]
    told = ClientViewMaker(HERON.torque_limit_nm).view(replace(seen, step=step))
    assert told["headline"] == headline
    assert told["word"] == "Stop here"


def test_moments_stand_still_between_views(monkeypatch: pytest.MonkeyPatch) -> None:
    maker = ClientViewMaker(HERON.torque_limit_nm)
    now = [1_000_000_000_000]
    monkeypatch.setattr(time, "time_ns", lambda: now[0])
    first = maker._moment("rest", 10.0)
    now[0] += 1_000_000_000
    assert maker._moment("rest", 9.05) == first  # the engine's time jitters a little
    assert maker._moment("rest", 30.0) == now[0] // 1000 + 30_000_000  # another rest


def sample(**changes: Any) -> dict[str, Any]:
    return {
        "channel": 0,
        "sequence": 1,
        "unix_us": 5,
        "counts": 1000,
        "sound": True,
        "flags": [],
        "force_newtons": 500.0,
        "arm_angle_counts": 1617,
        **changes,
    }


class TestPoints:
    def test_torque_and_angle(self) -> None:
        point = PointMaker(HERON).point(sample(), 9)
        assert point is not None
        assert point.value == pytest.approx(500.0 * HERON.moment_arm.length_metres)
        assert point.degrees == pytest.approx(HERON.angle_zero.degrees)
        assert point.mark == 0

    @pytest.mark.parametrize(
        ("changes", "mark", "value"),
        [
            ({"sound": False, "flags": ["saturated_high"]}, Mark.SATURATED | Mark.FLAGGED, None),
            ({"sound": False, "flags": ["no_conversion"]}, Mark.FLAGGED, None),
            ({"force_newtons": None}, Mark.UNCALIBRATED, 1000.0),
            ({"force_newtons": 800.0, "extrapolated": True}, Mark.EXTRAPOLATED, 240.16),
            ({"force_newtons": -10.0, "extrapolated": True}, Mark(0), -3.002),
            ({"force_newtons": 2500.0}, Mark.OVERLOAD, 750.5),
            ({"arm_angle_counts": None}, Mark.NO_ANGLE, 150.1),
            ({"unix_us": None}, Mark.UNTIMED, 150.1),
        ],
    )
    def test_what_is_not_good_is_marked(
        self, changes: dict[str, Any], mark: Mark, value: float | None
    ) -> None:
        point = PointMaker(HERON).point(sample(**changes), 9)
        assert point is not None
        assert point.mark == mark
        assert point.value == (None if value is None else pytest.approx(value))

    def test_other_channels_are_passed_over(self) -> None:
        assert PointMaker(HERON).point(sample(channel=1), 9) is None

    def test_a_track_gives_what_came_after(self) -> None:
        maker, track = PointMaker(HERON), Track(5)
        assert track.after(0) == []
        for number in range(8):
            point = maker.point(sample(unix_us=number), 9)
            assert point is not None
            track.add(point)
        assert [point.number for point in track.after(6)] == [7, 8]
        assert [point.number for point in track.after(0)] == [4, 5, 6, 7, 8]
        assert [point.number for point in track.after(0, most=2)] == [7, 8]
        assert track.after(8) == []
        assert len(track) == 5


def test_every_mark_is_known_to_the_page() -> None:
    from pathlib import Path

    import steelyard.screen

    folder = Path(steelyard.screen.__file__).parent / "display"
    script = (folder / "plot.js").read_text(encoding="utf-8")
    line = next(one for one in script.splitlines() if one.startswith("export const MARK"))
    for mark in Mark:
        if mark is not Mark.UNTIMED:
            assert f": {mark.value}" in line, mark
