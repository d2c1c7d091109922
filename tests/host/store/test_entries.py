"""Set-ups, limits, consents, rules and services: kept exactly, with their history."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from host.store.conftest import Clock
from hypothesis import given
from hypothesis import strategies as st
from steelyard.errors import (
    ChangedMeanwhileError,
    ConsentError,
    EntryError,
    NotKeptError,
)
from steelyard.store import Records
from steelyard.store.facts_json import from_plain, to_plain
from steelyard.store.kept import Limits, PracticeRules, Service
from steelyard.strength.effort import EffortLimits
from steelyard.strength.form_faults import Prescription
from steelyard.strength.load_rule import LoadRule
from steelyard.strength.session_analysis import SessionFacts
from steelyard.strength.set_summary import StopRules

FINITE = st.floats(allow_nan=False, allow_infinity=False)
LIMITS = Limits(
    (-7.25, 51.1),
    212.5,
    (-5.0, 1.0 / 3.0, 50.0),
    Prescription(2.1, 4.2, keeps_tension=True),
    StopRules(12, None, 25.0, None, False, 90.0),
    EffortLimits(rise_seconds=(0.2, 0.3)),
    LoadRule(10, fewest=6),
)


def test_set_ups_are_remembered_with_their_history(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    assert records.set_ups.current("C-001", "Heron") is None
    first = records.set_ups.save("C-001", "Heron", {"seat_height": "7", "plates_kg": "40"}, 0)
    assert first.values == {"seat_height": "7", "plates_kg": 40.0}
    clock.forward(days=3)
    second = records.set_ups.save(
        "C-001", "heron", {**first.values, "counterweight_turns": -3.5}, 1
    )
    assert records.set_ups.current("C-001", "HERON") == second
    assert records.set_ups.history("C-001", "Heron") == [second, first]
    assert records.set_ups.current("C-001", "Wren") is None
    assert records.set_ups.save("C-001", "heron", second.values) == second  # nothing new


@pytest.mark.parametrize(
    "values",
    [{"seat": "7"}, {"plates_kg": "heavy"}, {"plates_kg": math.nan}, {"knee_pad": "x" * 41}],
)
def test_settings_that_do_not_exist_or_fit(records: Records, values: dict[str, Any]) -> None:
    records.clients.add("C-001")
    with pytest.raises(EntryError):
        records.set_ups.save("C-001", "Heron", values)
    assert records.set_ups.history("C-001") == []


def test_two_operators_save_a_set_up_from_the_same_one(
    records: Records, another: Callable[[str], Records]
) -> None:
    records.clients.add("C-001")
    records.set_ups.save("C-001", "heron", {"seat_height": "7"}, 0)
    another("CD").set_ups.save("C-001", "heron", {"seat_height": "8"}, 1)
    with pytest.raises(ChangedMeanwhileError):
        records.set_ups.save("C-001", "heron", {"seat_height": "9"}, 1)
    current = records.set_ups.current("C-001", "heron")
    assert current is not None
    assert (current.values["seat_height"], current.saved_by) == ("8", "CD")


def test_limits_come_back_exactly(records: Records) -> None:
    records.clients.add("C-001")
    records.limits.save("C-001", "Heron", LIMITS, 0)
    kept = records.limits.current("C-001", "heron")
    assert kept is not None
    assert kept.limits == LIMITS
    assert records.limits.current("C-001", "wren") is None


@pytest.mark.parametrize(
    "limits",
    [
        Limits((50.0, -5.0)),
        Limits((0.0, math.nan)),
        Limits((0.0, 40.0), stations_degrees=(45.0,)),
        Limits(torque_limit_nm=-3.0),
        Limits(prescription=Prescription(0.0, 4.0)),
        Limits(prescription=Prescription(short_ratio=1.5)),
        Limits(stop_rules=StopRules(speed_loss_percent=0.0)),
        Limits(stop_rules=StopRules(repetitions=0)),
        Limits(effort_limits=EffortLimits(peak_seconds=0.0)),
        Limits(effort_limits=EffortLimits(rise_seconds=(0.1, math.inf))),
    ],
)
def test_limits_that_contradict_themselves(records: Records, limits: Limits) -> None:
    records.clients.add("C-001")
    with pytest.raises(EntryError):
        records.limits.save("C-001", "Heron", limits)
    assert records.limits.current("C-001", "Heron") is None


@given(
    st.builds(
        Limits,
        client_range=st.none() | st.tuples(FINITE, FINITE),
        torque_limit_nm=st.none() | FINITE,
        stations_degrees=st.lists(FINITE, max_size=4).map(tuple),
        prescription=st.builds(
            Prescription, concentric_seconds=FINITE, keeps_tension=st.booleans()
        ),
        stop_rules=st.builds(
            StopRules, repetitions=st.none() | st.integers(), stop_on_slip=st.booleans()
        ),
    )
)
def test_any_limits_survive_json(limits: Limits) -> None:
    assert from_plain(Limits, json.loads(json.dumps(to_plain(limits)))) == limits


def test_facts_survive_json_and_strangers_are_refused() -> None:
    facts = SessionFacts(12.5, 40.0, 70.1, 1.77, (-3.0, 48.0), LIMITS.prescription)
    assert from_plain(SessionFacts, json.loads(json.dumps(to_plain(facts)))) == facts
    for bad in (
        {"client_range": [1.0]},
        {"client_range": "wide"},
        {"torque_limit_nm": True},
        {"torque_limit_nm": 10**400},
        {"stop_rules": {"repetitions": 2.5}},
        {"stop_rules": 5},
        {"load_rule": {}},
        {"unheard": 1},
        [],
    ):
        with pytest.raises(EntryError):
            from_plain(Limits, bad)


def test_consent_is_given_withdrawn_and_grows_old(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    with pytest.raises(ConsentError, match="no consent was given") as refused:
        records.consents.require("C-001")
    assert "licensed" in refused.value.advice
    records.consents.give("C-001")
    assert records.consents.require("C-001").given_to == "AB"
    clock.forward(days=180)
    assert records.consents.state("C-001").in_force
    clock.forward(days=1)
    with pytest.raises(ConsentError, match="181 days old"):
        records.consents.require("C-001")
    records.consents.give("C-001")
    records.consents.withdraw("C-001")
    with pytest.raises(ConsentError, match="withdrawn"):
        records.consents.require("C-001")
    with pytest.raises(NotKeptError):
        records.consents.withdraw("C-001")
    assert len(records.consents.history("C-001")) == 2


def test_a_new_text_ends_consents_to_the_old_one(records: Records) -> None:
    records.clients.add("C-001")
    records.consents.give("C-001")
    rules = records.practice.rules()
    assert rules == PracticeRules(version=1)
    with pytest.raises(EntryError, match="new version"):
        records.practice.change(dataclasses.replace(rules, consent_text="Another text."))
    changed = records.practice.change(
        dataclasses.replace(rules, consent_text="Another text.", consent_text_version="2")
    )
    with pytest.raises(ConsentError, match="consent is to text 1"):
        records.consents.require("C-001")
    with pytest.raises(ChangedMeanwhileError):
        records.practice.change(dataclasses.replace(rules, consent_days=10))
    for bad in (
        {"time_zone": "Nowhere/None"},
        {"time_zone": "../etc"},
        {"currency": "=1"},
        {"consent_days": 0},
    ):
        with pytest.raises(EntryError):
            records.practice.change(dataclasses.replace(changed, **bad))  # type: ignore[arg-type]


def test_services_are_the_practices_own(records: Records) -> None:
    assert [one.code for one in records.services.list()] == ["spine-added", "spine-only"]
    assert all(one.price is None for one in records.services.list())
    only = records.services.get("spine-only")
    kept = records.services.save(dataclasses.replace(only, price=Decimal("45.50"), minutes=40))
    assert (kept.price, kept.version) == (Decimal("45.50"), 2)
    with pytest.raises(ChangedMeanwhileError):
        records.services.save(dataclasses.replace(only, price=Decimal(1)))
    records.services.save(Service("group", "Group of four", 60, Decimal("19.99"), offered=False))
    assert [one.code for one in records.services.list(offered_only=True)] == [
        "spine-added", "spine-only",
    ]  # fmt: skip
    for bad in (
        Service("Group", "Group"),
        Service("x", "=1+1"),
        Service("x", "Two\nlines"),
        Service("x", "X", price=Decimal("1.005")),
        Service("x", "X", price=Decimal("-1")),
        Service("x", "X", price=Decimal("NaN")),
        Service("x", "X", minutes=0),
    ):
        with pytest.raises(EntryError):
            records.services.save(bad)
