"""Words, marks, corridor, phases, records as JSON."""

from __future__ import annotations

import itertools
import math

import pytest
from steelyard.guidance import client_words
from steelyard.guidance.cautions import CAUTIONS, stop_rules_in_words
from steelyard.guidance.corridor import Corridor, time_for, way_done
from steelyard.guidance.flag_meanings import OF_LOAD, flag_meanings
from steelyard.guidance.marks import MARK_BYTES, fitted
from steelyard.guidance.movement_phases import Moment, MovementPhases, Phase
from steelyard.guidance.record_json import from_values, to_values
from steelyard.guidance.views import Words
from steelyard.recording.writer import ANNOTATION_BYTES
from steelyard.strength.form_faults import Fault, Prescription
from steelyard.strength.measured import Measured, Statement
from steelyard.strength.repetition_measures import RepetitionMeasures
from steelyard.strength.session_analysis import SessionFacts
from steelyard.strength.set_summary import StopRules
from steelyard_protocol.records import SampleFlags

ALL_WORDS = [value for value in vars(client_words).values() if isinstance(value, Words)]
JARGON = ("concentric", "eccentric", "isometric", "torque", "restraint", "calibration", "N·m")


def test_words_to_the_client_are_short_and_plain() -> None:
    assert len(ALL_WORDS) > 20
    for words in ALL_WORDS:
        assert 2 <= len(words.text) <= 18
        assert len(words.detail) <= 48
        assert not any(term in (words.text + words.detail).lower() for term in JARGON)
    assert set(client_words.FOR_FAULT) == set(Fault)


@pytest.mark.parametrize("text", ["short", "°" * 500, "a" * 161, "x" * 159 + "€", "\ud800 broken"])
def test_marks_fit_a_recording(text: str) -> None:
    assert MARK_BYTES == ANNOTATION_BYTES
    mark = fitted(text)
    assert len(mark.encode("utf-8")) <= MARK_BYTES
    if len(text.encode("utf-8", "replace")) <= MARK_BYTES:
        assert mark[:5] == text.encode("utf-8", "replace").decode()[:5]
    else:
        assert mark.endswith("…")


def test_every_flag_has_words() -> None:
    assert set(OF_LOAD) == set(SampleFlags)
    assert flag_meanings(0, 0) == ()
    assert flag_meanings(int(SampleFlags.OVERLOAD), int(SampleFlags.OPEN_CIRCUIT)) == (
        "overload", "roller sensor wire open",
    )  # fmt: skip
    assert "0x10000" in flag_meanings(0x10000, 0)[-1]  # of a newer protocol


def test_stop_rules_are_told() -> None:
    told = stop_rules_in_words(StopRules(8, None, 30.0, None, True, 90.0))
    assert any("8 repetitions" in text for text in told)
    assert any("30 %" in text for text in told)
    assert not any("range" in text for text in told)
    assert len(CAUTIONS) >= 4


def test_the_least_jerk_way_and_its_inverse() -> None:
    for share in (0.0, 0.2, 0.5, 0.77, 1.0):
        assert float(way_done(time_for(share))) == pytest.approx(share, abs=1e-4)  # type: ignore[arg-type]


def test_the_corridor_holds_the_asked_way_and_not_a_rushed_one() -> None:
    asked = Prescription(2.0, 4.0)
    view = Corridor(-5.0, 55.0, asked).view(1.0)
    assert view.now_seconds == 1.0
    inside = rushed = 0
    for at, low, high in zip(view.seconds, view.low_degrees, view.high_degrees, strict=True):
        assert low < high
        up, down = at / 2.0, (at - 3.0) / 4.0
        good = 55.0 - 60.0 * (float(way_done(up)) - float(way_done(down)))  # type: ignore[arg-type]
        fast = 55.0 - 60.0 * float(way_done(at / 0.8))  # type: ignore[arg-type]
        inside += low <= good <= high
        rushed += at < 2.0 and not low <= fast <= high
    assert inside == len(view.seconds)
    assert rushed >= 3


def followed(course: list[tuple[float, float]]) -> tuple[list[Phase], MovementPhases]:
    """Phases along (seconds, degrees) points joined by straight lines."""
    phases, seen = MovementPhases(60.0), []
    step = 0.05
    for (start, here), (end, there) in itertools.pairwise(course):
        speed = (there - here) / (end - start)
        for index in range(round((end - start) / step)):
            at = start + index * step
            if phases.follow(Moment(at, here + speed * (at - start), speed, 80.0)):
                seen.append(phases.phase)
    return seen, phases


UP, TOP, DOWN, BOTTOM = Phase.CONCENTRIC, Phase.TURN_UP, Phase.ECCENTRIC, Phase.TURN_DOWN


def test_phases_of_repetitions_with_a_stop_half_way_up() -> None:
    whole = [(0.0, 55.0), (1.0, 55.0), (3.0, 0.0), (4.0, 0.0), (8.0, 55.0), (9.0, 55.0)]
    seen, phases = followed(whole)
    assert seen == [UP, TOP, DOWN, BOTTOM]
    assert phases.completed_total == 1
    stop = [(0.0, 55.0), (1.0, 55.0), (2.0, 30.0), (3.5, 30.0), (4.5, 0.0), (5.0, 0.0),
            (9.0, 55.0), (10.0, 55.0)]  # fmt: skip
    seen, phases = followed(stop)
    assert seen == [UP, TOP, UP, TOP, DOWN, BOTTOM]
    assert phases.completed_total == 1


def test_trembling_at_rest_is_no_repetition() -> None:
    course = [(0.1 * step, 55.0 + (0.4 if step % 2 else -0.4)) for step in range(100)]
    seen, phases = followed(course)
    assert seen == []
    assert phases.completed_total == 0


def test_records_come_back_from_json_to_the_last_bit() -> None:
    measured = Measured(0.1 + 0.2, math.inf, "N·m")
    one = RepetitionMeasures(
        1.0, 2.0, measured, 3.0, 4.0, None, None, 0.1, 0.2, 5.0, 0.0, math.nan, 7.0, None
    )
    values = to_values((one, Statement("code", "text", None, spoils=True)))
    again = from_values(tuple[RepetitionMeasures, Statement], values)
    assert to_values(again) == values
    assert again[0].range_degrees == measured
    assert math.isnan(again[0].lightest_ratio)
    facts = SessionFacts(client_range=(-3.5, 55.25), stop_rules=StopRules(repetitions=8))
    assert from_values(SessionFacts, to_values(facts)) == facts


@pytest.mark.parametrize("values", [None, 3, [], {"value": True, "standard_uncertainty": 1.0}])
def test_values_of_another_form_are_errors(values: object) -> None:
    with pytest.raises((TypeError, ValueError, KeyError)):
        from_values(Measured, values)
