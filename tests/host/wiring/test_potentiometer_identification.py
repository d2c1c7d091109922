"""Three terminals: the wiper found in every order, and each single open and short."""

from __future__ import annotations

import math
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.errors import SteelyardError
from steelyard.wiring import OPEN, PotentiometerFault, identify_potentiometer
from steelyard.wiring.potentiometer_advice import potentiometer_advice

TRACK = 10_000.0
ORDERS = tuple(permutations(range(3)))
NAMES = "abc"
PAIRS = ((0, 1), (0, 2), (1, 2))


def readings(
    place: float,
    order: tuple[int, ...],
    fault: str = "",
    track: float = TRACK,
    contact: float = 0.0,
) -> list[float]:
    """Series and parallel by hand.  Roles: 0 one end, 1 the other, 2 the wiper.

    ``order[i]`` is the role of the person's terminal i.
    """
    left, right = place * track, (1.0 - place) * track
    table = {(0, 1): track, (0, 2): left + contact, (1, 2): right + contact}
    if fault == "wiper open":
        table = {(0, 1): track, (0, 2): OPEN, (1, 2): OPEN}
    elif fault == "end open":  # the track is broken beyond the wiper, on the side of end 1
        table = {(0, 1): OPEN, (0, 2): left, (1, 2): OPEN}
    elif fault == "wiper shorted":
        table = {(0, 1): track, (0, 2): 0.0, (1, 2): track}
    elif fault == "ends shorted":
        both = left * right / (left + right)
        table = {(0, 1): 0.0, (0, 2): both, (1, 2): both}
    return [table[min(order[a], order[b]), max(order[a], order[b])] for a, b in PAIRS]


def name_of(order: tuple[int, ...], role: int) -> str:
    return NAMES[order.index(role)]


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("place", [0.03, 0.3, 0.5, 0.9])
def test_the_wiper_is_found_from_one_position(place: float, order: tuple[int, ...]) -> None:
    found = identify_potentiometer(readings(place, order), terminals=NAMES)
    item = found.explanations[0]
    if place == 0.03 and not found.is_sound:  # within the meter's tolerance of an end
        assert item.fault is PotentiometerFault.WIPER_AT_END
        return
    assert found.is_sound
    assert item.wiper == name_of(order, 2)
    assert set(item.ends or ()) == {name_of(order, 0), name_of(order, 1)}
    assert item.total_ohms == pytest.approx(TRACK)
    towards = place if (item.ends or ("",))[0] == name_of(order, 0) else 1.0 - place
    assert item.positions == pytest.approx((towards,), abs=0.01)


@pytest.mark.parametrize("order", ORDERS)
def test_turning_settles_it_even_from_the_end_of_travel(order: tuple[int, ...]) -> None:
    at_end = readings(0.0, order)
    alone = identify_potentiometer(at_end, terminals=NAMES).explanations
    assert [item.fault for item in alone] == [PotentiometerFault.WIPER_AT_END]
    assert set(alone[0].at) == {name_of(order, 0), name_of(order, 2)}
    both = identify_potentiometer(at_end, readings(0.5, order), NAMES)
    assert both.is_sound
    assert both.explanations[0].wiper == name_of(order, 2)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("wiper open", PotentiometerFault.WIPER_OPEN),
        ("end open", PotentiometerFault.END_OPEN),
        ("wiper shorted", PotentiometerFault.WIPER_SHORTED),
        ("ends shorted", PotentiometerFault.ENDS_SHORTED),
    ],
)
def test_each_open_and_short_from_two_positions(
    fault: str, expected: PotentiometerFault, order: tuple[int, ...]
) -> None:
    found = identify_potentiometer(readings(0.3, order, fault), readings(0.6, order, fault), NAMES)
    assert [item.fault for item in found.explanations] == [expected]
    item = found.explanations[0]
    wiper, ends = name_of(order, 2), {name_of(order, 0), name_of(order, 1)}
    if expected is PotentiometerFault.WIPER_OPEN:
        assert item.wiper == wiper
        assert item.at == (wiper,)
        assert item.total_ohms == pytest.approx(TRACK)
    elif expected is PotentiometerFault.END_OPEN:
        assert item.at == (name_of(order, 1),)
    elif expected is PotentiometerFault.WIPER_SHORTED:
        assert set(item.at) == {wiper, name_of(order, 0)}
    else:
        assert item.wiper == wiper
        assert set(item.at) == ends
    assert potentiometer_advice(found)


@pytest.mark.parametrize("order", ORDERS)
def test_one_position_does_not_claim_more_than_it_shows(order: tuple[int, ...]) -> None:
    for fault in ("wiper open", "end open"):
        found = identify_potentiometer(readings(0.4, order, fault), terminals=NAMES)
        assert {item.fault for item in found.explanations} == {
            PotentiometerFault.WIPER_OPEN,
            PotentiometerFault.END_OPEN,
        }
        assert "Turn the shaft" in potentiometer_advice(found)[-1]
    for fault in ("wiper shorted", "ends shorted"):
        found = identify_potentiometer(readings(0.5, order, fault), terminals=NAMES)
        assert [item.fault for item in found.explanations] == [PotentiometerFault.WIPER_AT_END]


def test_a_wiper_that_stays_behind() -> None:
    same = readings(0.4, (0, 1, 2))
    found = identify_potentiometer(same, same)
    assert found.explanations[0].fault is PotentiometerFault.WIPER_STUCK
    assert not found.is_sound


def test_nothing_connected_and_no_potentiometer() -> None:
    dead = identify_potentiometer([OPEN] * 3)
    assert dead.explanations[0].fault is PotentiometerFault.DEAD
    assert identify_potentiometer([100.0, 100.0, 100.0]).explanations == ()
    assert "no potentiometer" in potentiometer_advice(identify_potentiometer([5.0, 5e3, 900.0]))[0]


def test_advice_says_when_the_track_does_not_suit_the_box() -> None:
    text = " ".join(potentiometer_advice(identify_potentiometer([100_000.0, 40_000.0, 60_000.0])))
    assert "Wiper: 3. Ends of the track: 1 and 2." in text
    assert "1 to 20 kΩ" in text


@given(
    place=st.floats(0.1, 0.9),
    track=st.floats(500.0, 100_000.0),
    contact=st.floats(0.0, 0.01),
    order=st.sampled_from(ORDERS),
)
def test_any_track_and_contact(
    place: float, track: float, contact: float, order: tuple[int, ...]
) -> None:
    found = identify_potentiometer(
        readings(place, order, track=track, contact=contact * track), terminals=NAMES
    )
    assert found.is_sound
    assert found.explanations[0].wiper == name_of(order, 2)


@pytest.mark.parametrize("bad", [[1.0, 2.0], [1.0, -2.0, 3.0], [1.0, math.nan, 3.0]])
def test_nonsense_is_refused(bad: list[float]) -> None:
    with pytest.raises(SteelyardError):
        identify_potentiometer(bad)
    with pytest.raises(SteelyardError):
        identify_potentiometer([1.0, 2.0, 3.0], terminals="aab")
