"""The restraint's roller: slips found with time and size, and ranges that cannot be believed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from host.strength.synthetic import course, hold, signals
from host.strength.visit import take_visit
from steelyard.simulator.client_model import MANNERS
from steelyard.simulator.tasks import Kind
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.restraint import check_restraint, find_slips
from steelyard.strength.signals import Signals

HERON = ready_profile("heron")


def gentle(range_degrees: float = 50.0, slip_at: float = 0.0, slip: float = 0.0) -> Signals:
    degrees = np.concatenate(
        [hold(50.0, 3.0), course(50.0, 50.0 - range_degrees, 8.0), hold(50.0 - range_degrees, 3.0)]
    )
    seconds = np.arange(len(degrees)) / 80.0
    noise = np.random.default_rng(6).normal(0.0, 0.05, len(degrees))
    roller = 150.0 + slip * np.clip((seconds - slip_at) / 1.5, 0.0, 1.0) + noise
    return signals(degrees, roller=roller)


def test_a_still_roller_holds() -> None:
    found = check_restraint(gentle(), HERON, 0.0, 14.0)
    assert found.holds is True
    assert found.roller_range_degrees is not None
    assert found.roller_range_degrees < 0.3
    assert found.statements == ()


@pytest.mark.parametrize("size", [-6.0, -1.6, 1.6, 6.0])
def test_a_slip_has_its_time_and_size(size: float) -> None:
    found = check_restraint(gentle(slip_at=6.0, slip=size), HERON, 0.0, 14.0)
    assert found.holds is False
    assert sum(slip.degrees for slip in found.slips) == pytest.approx(size, abs=0.6)
    assert 5.8 <= found.slips[0].seconds <= 8.0
    assert "slipped" in found.statements[0].text


def test_little_movement_proves_nothing() -> None:
    found = check_restraint(gentle(range_degrees=8.0), HERON, 0.0, 14.0)
    assert found.holds is None
    assert found.statements[0].code == "restraint-not-judged"


def test_a_range_no_lumbar_spine_has_is_questioned() -> None:
    found = check_restraint(gentle(range_degrees=95.0), HERON, 0.0, 14.0)
    assert [one.code for one in found.statements] == ["range-questioned"]
    assert "common practice" in found.statements[0].text
    neck = replace(ready_profile("wren"))
    assert check_restraint(gentle(range_degrees=95.0), neck, 0.0, 14.0).statements == ()


def test_without_a_roller_nothing_is_claimed() -> None:
    blind = replace(gentle(), roller_degrees=None)
    found = check_restraint(blind, HERON, 0.0, 14.0)
    assert found.holds is None
    assert "by eye" in found.statements[0].text
    assert find_slips(blind, HERON, 0.0, 14.0) == []


def test_simulated_slips_add_up_to_the_truth() -> None:
    visit = take_visit("heron", MANNERS["slipping"], "sets", 9)
    found = visit.signals()
    start = visit.segments(Kind.FREE)[0].start_seconds
    end = visit.segments(Kind.HOLD, "rest between")[0].start_seconds
    slips = find_slips(found, visit.profile, start, end)
    part = visit.truth.between(start, end)
    true = visit.truth.roller_degrees[part]
    assert sum(slip.degrees for slip in slips) == pytest.approx(float(true[-1] - true[0]), abs=0.8)
    third = visit.segments(Kind.FREE, "repetition 3, concentric")[0].start_seconds
    assert third <= slips[0].seconds <= third + 3.0
