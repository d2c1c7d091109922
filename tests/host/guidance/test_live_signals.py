"""What the machine shows now, and that pieces of the stream change nothing."""

from __future__ import annotations

import json
import math
import random
import time

import numpy as np
import pytest
from host.guidance.made_samples import PROFILE, SCALES, Machine
from steelyard.errors import AnalysisError
from steelyard.guidance.live_signals import LiveSignals
from steelyard.guidance.machine_scales import MachineScales
from steelyard.guidance.sample_window import SampleWindow
from steelyard.guidance.stretch import Stretch
from steelyard.guidance.views import Quality
from steelyard.strength.analysis_lines import plain
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import SampleFlags


def wave() -> Machine:
    return Machine(
        torque=lambda at: 100.0 + 50.0 * math.sin(at),
        degrees=lambda at: 25.0 + 20.0 * math.sin(0.5 * at),
        roller=lambda at: 150.0 + 0.2 * math.sin(at),
    )


def fed(machine: Machine, end: float, scales: MachineScales = SCALES) -> LiveSignals:
    live = LiveSignals(scales)
    for at, record in machine.between(0.0, end):
        live.add(record, at)
    return live


def test_torque_and_angle_now_with_their_uncertainty() -> None:
    live = fed(wave(), 10.0)
    at = live.seconds
    assert at == pytest.approx(9.9992, abs=0.012)
    view = live.view(10.0)
    assert view.live
    assert view.torque_nm == pytest.approx(100.0 + 50.0 * math.sin(at), abs=0.05)
    assert view.torque_standard_uncertainty_nm == pytest.approx(
        SCALES.torque.uncertainty.value(view.torque_nm or 0.0)
    )
    assert view.torque_quality is view.angle_quality is view.roller_quality is Quality.GOOD
    assert view.angle_degrees == pytest.approx(25.0 + 20.0 * math.sin(0.5 * at), abs=0.1)
    assert view.angle_standard_uncertainty_degrees > PROFILE.angle_zero.standard_uncertainty_degrees
    assert view.roller_degrees == pytest.approx(150.0, abs=0.3)
    assert json.dumps(plain(view), allow_nan=False)


def test_silence_is_not_live_within_half_a_second_and_the_reason_is_said() -> None:
    live = LiveSignals(SCALES)
    assert not live.view(5.0).live
    assert live.view(5.0).not_live_because == "no sample has come yet"
    live = fed(wave(), 10.0)
    assert live.view(10.3).live
    stale = live.view(10.49)
    assert not stale.live
    assert stale.stale_seconds == pytest.approx(0.5, abs=0.02)
    assert {stale.torque_quality, stale.angle_quality, stale.roller_quality} == {Quality.STALE}
    live.lose_link("cable out")
    assert live.view(10.01).not_live_because == "cable out"
    machine = wave()
    machine.sequence = 900
    live.add(machine.load(10.5), 10.5)
    assert live.view(10.5).live


@pytest.mark.parametrize(
    ("flag", "quality", "word"),
    [
        (SampleFlags.SATURATED_HIGH, Quality.SATURATED, "upper end"),
        (SampleFlags.SUSPECT, Quality.FLAGGED, "in doubt"),
        (SampleFlags.NO_CONVERSION, Quality.FLAGGED, "does not answer"),
    ],
)
def test_a_flagged_value_is_told_and_not_shown(
    flag: SampleFlags, quality: Quality, word: str
) -> None:
    machine = wave()
    machine.flags = lambda at: int(flag) if at > 5.0 else 0
    live = fed(machine, 6.0)
    view = live.view(6.0)
    assert (view.torque_nm, view.torque_quality) == (None, quality)
    assert any(word in text for text in view.flags)
    assert np.isnan(live.recent(0.3)[1]).all() or not len(live.recent(0.3)[1])


def test_without_calibration_counts_are_shown_and_no_torque() -> None:
    live = fed(wave(), 3.0, MachineScales.of(PROFILE, {}, "2025-06-15T12:00:00Z"))
    view = live.view(3.0)
    assert not view.calibrated
    assert (view.torque_nm, view.torque_quality) == (None, Quality.UNCALIBRATED)
    assert view.counts is not None
    assert view.angle_degrees is not None
    signals = live.signals(live.stretch_from((77, 0)))
    assert np.isnan(signals.torque).all()
    assert np.isfinite(signals.degrees).any()


def test_no_reading_is_no_zero() -> None:
    machine = wave()
    live = fed(machine, 2.0)
    live.add(machine.load(2.0)._replace(load_counts=NO_COUNTS, angle_counts=NO_COUNTS), 2.0)
    view = live.view(2.0)
    assert (view.torque_nm, view.counts, view.angle_degrees) == (None, None, None)
    assert view.torque_quality is view.angle_quality is Quality.MISSING


def test_overload_raises_an_alarm_that_lasts_a_moment() -> None:
    machine = wave()
    machine.torque = lambda at: 600.0 if 4.0 < at < 4.5 else 50.0
    live = fed(machine, 4.4)
    assert "600 N·m" in live.view(4.4).alarm
    for at, record in machine.between(4.4, 8.0):
        live.add(record, at)
    assert live.alarms_total == 1
    assert not live.view(8.0).alarm


def test_time_runs_on_over_a_wrap_of_the_clock_and_a_restart() -> None:
    machine = wave()
    machine.begun_us = (1 << 30) - 2_000_000
    live = fed(machine, 5.0)
    assert live.seconds == pytest.approx(5.0, abs=0.02)
    again = machine.restarted()
    again.begun_us = 5000
    for at, record in again.between(0.0, 3.0):
        live.add(record, 8.0 + at)
    assert live.seconds == pytest.approx(11.0, abs=0.05)
    assert live.restarts_total == 1
    assert "restarted; about 3.0 s" in live.take_outage()
    assert live.take_outage() == ""


def test_missing_samples_are_counted_and_a_long_gap_is_an_outage() -> None:
    machine, live = wave(), LiveSignals(SCALES)
    for at, record in machine.between(0.0, 4.0):
        sequence = getattr(record, "sequence", 0)
        if not (sequence == 100 or 200 <= sequence < 260):
            live.add(record, at)
    assert live.lost_total == 61
    assert "0.7 s of samples did not come" in live.take_outage()


@pytest.mark.parametrize("seed", range(3))
def test_the_order_of_arrival_is_all_that_counts(seed: int) -> None:
    records = list(wave().between(0.0, 30.0))
    source = random.Random(seed)
    whole, pieces = LiveSignals(SCALES), LiveSignals(SCALES)
    beats = [place for place, (at, one) in enumerate(records) if whole.add(one, at)]
    again, done = [], 0
    while done < len(records):
        end = min(len(records), done + source.choice([1, 7, 300]))
        for place in range(done, end):  # all of a piece come at its end
            if pieces.add(records[place][1], records[end - 1][0]):
                again.append(place)
        pieces.view(records[end - 1][0])  # looking changes nothing
        done = end
    assert again == beats
    whole.flush(), pieces.flush()
    stretch = Stretch(77, 300, 2000)
    first, second = whole.signals(stretch), pieces.signals(stretch)
    for name in ("seconds", "torque", "degrees", "roller_degrees"):
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))


def test_a_stretch_that_is_not_there_is_an_error() -> None:
    live = fed(wave(), 3.0)
    with pytest.raises(AnalysisError, match="0 samples"):
        live.signals(Stretch(5, 0, 100))


def test_the_window_is_bounded() -> None:
    window = SampleWindow({"a": np.int64}, 10)
    for start in range(0, 1000, 7):
        window.add({"a": list(range(start, start + 7))})
        assert 7 <= len(window) <= 20
        assert window.column("a").tolist() == list(range(start + 7 - len(window), start + 7))
    assert window.dropped_total + len(window) == 1001
    live = LiveSignals(SCALES, window_samples=400)
    for at, record in wave().between(0.0, 20.0):
        live.add(record, at)
    assert len(live.recent(3.0)[0]) == pytest.approx(3.0 * 86.2, abs=8)
    assert live.view(20.0).torque_nm is not None


def test_trace_for_drawing() -> None:
    machine = wave()
    machine.flags = lambda at: int(SampleFlags.SUSPECT) if 5.0 < at < 5.5 else 0
    trace = fed(machine, 8.0).trace(4.0)
    assert len(trace.seconds) == len(trace.degrees) == len(trace.torque_nm)
    assert 80 <= len(trace.seconds) <= 92
    assert None in trace.torque_nm
    assert None not in trace.degrees
    assert json.dumps(plain(trace), allow_nan=False)


def test_samples_and_views_cost_no_more_as_a_visit_grows() -> None:
    records = list(wave().between(0.0, 60.0))
    live = LiveSignals(SCALES)
    thirds = []
    for third in range(3):
        part = records[third * len(records) // 3 : (third + 1) * len(records) // 3]
        begun = time.process_time()
        for at, record in part:
            live.add(record, at)
        thirds.append(time.process_time() - begun)
    feeding = sum(thirds) / 60.0
    begun = time.process_time()
    for _ in range(300):
        live.view(60.0)
    viewing = (time.process_time() - begun) / 300.0
    print(f"\nfeeding a second: {1e3 * feeding:.2f} ms; a view: {1e3 * viewing:.3f} ms")
    # A view has to be cheap beside the second of samples that it comes with, twenty times over.
    assert thirds[-1] < 3.0 * thirds[0]
    assert viewing < feeding
