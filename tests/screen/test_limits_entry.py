"""The form of a client's limits: shown, typed, refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from steelyard.errors import EntryError, SteelyardError
from steelyard.screen.pages.fields import Form
from steelyard.screen.pages.limits_entry import limits_read, limits_shown, unlabelled
from steelyard.store import open_records
from steelyard.store.kept import Limits
from steelyard.strength.form_faults import Prescription
from steelyard.strength.load_rule import LoadRule
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.set_summary import StopRules

HERON = ready_profile("heron")
SOME = Limits(
    client_range=(2.0, 48.5),
    torque_limit_nm=180.0,
    stations_degrees=(5.0, 25.0, 45.0),
    prescription=Prescription(2.5, 5.0, 40.0, keeps_tension=True),
    stop_rules=StopRules(8, None, None, 20.0, False, 90.0),
    load_rule=LoadRule(8),
)


def typed(limits: Limits = SOME, **changes: str) -> Form:
    return Form(**{**limits_shown(limits), **changes})


def test_no_field_is_forgotten() -> None:
    assert unlabelled() == set()


@pytest.mark.parametrize("limits", [SOME, Limits()])
def test_what_is_shown_is_taken_as_it_was(limits: Limits) -> None:
    assert limits_read(typed(limits), limits, HERON) == limits


def test_empty_is_no_limit_or_the_usual() -> None:
    read = limits_read(Form(), SOME, HERON)
    assert read.client_range is None
    assert read.torque_limit_nm is None
    assert read.prescription == Prescription()
    assert read.stop_rules == StopRules(None, None, None, None, False, None)
    assert read.load_rule == SOME.load_rule  # the form does not show it


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"range_low": "abc"}, "no number"),
        ({"range_low": ""}, "Only one end"),
        ({"range_high": "250"}, "beyond the Heron"),
        ({"range_high": "nan"}, "beyond the Heron"),
        ({"repetitions": "8.5"}, "no whole number"),
        ({"repetitions": "0"}, "above 0"),
        ({"landing_speed": "-3"}, "above 0"),
        ({"slip_degrees": "inf"}, "above 0"),
        ({"speed_loss_percent": "nan"}, "above 0"),
        ({"stations": "5 x"}, "no number"),
        ({"rise_seconds": "0.1, x"}, "no number"),
    ],
)
def test_what_does_not_fit_is_refused_in_words(changes: dict[str, str], told: str) -> None:
    with pytest.raises(SteelyardError, match=told):
        limits_read(typed(**changes), SOME, HERON)


@pytest.mark.parametrize(
    "changes",
    [
        {"range_low": "50", "range_high": "10"},
        {"stations": "5 60"},
        {"rushed_ratio": "1.5"},
        {"torque_limit_nm": "0"},
        {"concentric_seconds": "0.01"},
        {"rise_seconds": "0.1 -0.2"},
        {"stations": "nan"},
    ],
)
def test_what_contradicts_itself_is_refused_by_the_records(
    tmp_path: Path, changes: dict[str, str]
) -> None:
    with open_records(tmp_path, operator="AB") as records:
        records.clients.add("C-001")
        with pytest.raises(EntryError):
            records.limits.save("C-001", "Heron", limits_read(typed(**changes), SOME, HERON), 0)
        assert records.limits.current("C-001", "Heron") is None
