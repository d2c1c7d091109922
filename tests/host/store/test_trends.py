"""Visit to visit: the figures that were filed, and judgements by the published formulae."""

from __future__ import annotations

import math

import numpy as np
import pytest
from host.store import invented
from host.store.conftest import Clock
from host.store.test_visits import file, log
from steelyard.errors import NotKeptError
from steelyard.store import Records
from steelyard.strength.machine_profile import Joint
from steelyard.strength.reliability import reliability
from steelyard.strength.torque_curve import torque_curve
from steelyard.strength.visits import ENOUGH_CLIENTS, LITERATURE


def visit(
    records: Records,
    clock: Clock,
    torques: dict[float, float],
    code: str = "C-001",
    repeat_of: int | None = None,
) -> int:
    clock.forward(days=7)
    made = log(records, clock, code, repeat_of=repeat_of)
    file(records, made, invented.session(torques), number=made.visit_id)
    return made.visit_id


def test_nothing_measured_is_said(records: Records) -> None:
    records.clients.add("C-001")
    with pytest.raises(NotKeptError, match="No isometric test"):
        records.trends.of_client("C-001", "Heron")
    assert records.trends.repeat_tests("heron").pairs == ()


def test_each_station_across_visits_with_its_uncertainty(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    sessions = [
        {0.0: 100.0, 30.0: 150.0},
        {1.0: 110.0, 31.5: 160.0},
        {0.5: 160.0, 29.0: 170.0, 50.0: 190.0},
    ]
    for torques in sessions:
        visit(records, clock, torques)
    found = records.trends.of_client("C-001", "Heron")
    assert found.joint is Joint.LUMBAR
    assert [one.degrees for one in found.stations] == [0.5, 30.0, 50.0]
    low, middle, lone = found.stations
    assert [point.torque.value for point in low.points] == [100.0, 110.0, 160.0]
    assert low.points[0].torque.standard_uncertainty == pytest.approx(1.5)
    assert low.change is not None
    assert low.change.real  # 60 N·m against 50.1 from the literature
    assert middle.change is not None
    assert not middle.change.real
    assert low.detectable.value == LITERATURE[Joint.LUMBAR].value
    assert f"0 of {ENOUGH_CLIENTS}" in low.detectable.source
    assert (lone.change, lone.slope) == (None, None)
    assert low.slope is not None  # 100, 110, 160 at 0, 7, 14 days: 30 in 7 days
    assert low.slope.per_month.value == pytest.approx(30.0 / 7.0 * 30.0)


def test_the_curve_over_what_all_visits_have_in_common(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    visit(records, clock, {0.0: 100.0, 30.0: 130.0, 60.0: 160.0})
    visit(records, clock, {10.0: 140.0, 50.0: 180.0})
    curve = records.trends.of_client("C-001", "heron").curve
    assert curve is not None
    assert (curve.low_degrees, curve.high_degrees) == (10.0, 50.0)
    # a straight line from 110 to 150 N·m has a mean of 130 over 40 degrees
    first, second = curve.mean.points
    assert first.torque.value == pytest.approx(130.0)
    assert curve.areas[0].value == pytest.approx(130.0 * math.radians(40.0))
    whole = torque_curve(invented.isometric({10.0: 140.0, 50.0: 180.0}))
    assert whole is not None
    assert curve.areas[1].value == pytest.approx(whole.area().value)
    assert curve.areas[1].standard_uncertainty == pytest.approx(whole.area().standard_uncertainty)
    assert second.torque.value == pytest.approx(160.0)


def test_ranges_that_do_not_meet_give_no_curve(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    visit(records, clock, {0.0: 100.0, 20.0: 130.0})
    visit(records, clock, {30.0: 100.0, 50.0: 130.0})
    assert records.trends.of_client("C-001", "heron").curve is None


def test_own_repeat_tests_take_over_when_there_are_enough(records: Records, clock: Clock) -> None:
    source = np.random.default_rng(4)
    pairs = []
    for number in range(1, ENOUGH_CLIENTS + 1):
        code = f"C-{number:03d}"
        records.clients.add(code)
        own = float(source.normal(200.0, 40.0))
        first, again, third = (own + float(source.normal(6.0 * n, 8.0)) for n in range(3))
        earlier = visit(records, clock, {0.0: first, 40.0: first}, code)
        later = visit(records, clock, {0.0: again, 40.0: again}, code, repeat_of=earlier)
        visit(records, clock, {0.0: third, 40.0: third}, code, repeat_of=later)
        pairs.append((first, again))
    assert (
        list(records.trends.repeat_tests("heron", 0.0).pairs) == pairs
    )  # exact, through both databases
    found = records.trends.of_client("C-001", "heron")
    expected = reliability(pairs)
    assert found.stations[0].detectable.value == pytest.approx(expected.mdc95)
    assert "own repeat tests of 10 clients" in found.stations[0].detectable.source
    assert found.curve is not None
    assert found.curve.mean.detectable.value == pytest.approx(expected.mdc95)
    assert found.learning
    assert records.trends.repeat_tests("heron", 20.0).pairs == ()  # no station there: no guess


def test_invalid_efforts_and_tests_after_a_set_do_not_count(records: Records, clock: Clock) -> None:
    import dataclasses

    from steelyard.strength.isometric import IsometricTest, Station

    records.clients.add("C-001")
    spoilt = IsometricTest((Station(20.0, (invented.effort(20.0, 300.0, valid=False),)),), ())
    found = invented.session({0.0: 100.0, 30.0: 150.0})
    found = dataclasses.replace(
        found,
        tests=(*found.tests, invented.isometric({0.0: 70.0, 30.0: 90.0}), spoilt),
        curves=(*found.curves, None, None),
    )
    file(records, log(records, clock), found)
    trend = records.trends.of_client("C-001", "heron")
    assert [len(one.points) for one in trend.stations] == [1, 1]
    assert [one.points[0].torque.value for one in trend.stations] == [100.0, 150.0]
