"""Every order of the wires, sound and with each single open and short, told from six readings.

The truth is Wheatstone arithmetic in wheatstone.py, apart from the code under test.
"""

from __future__ import annotations

import math
import random
from itertools import permutations

import pytest
from host.wiring.wheatstone import permuted, resistances
from hypothesis import given, settings
from hypothesis import strategies as st
from steelyard.errors import SteelyardError
from steelyard.wiring import BridgeFault, BridgeIdentification, Tolerance, identify_bridge
from steelyard.wiring.bridge_advice import bridge_advice
from steelyard.wiring.bridge_identification import BridgeExplanation

WIRES = "abcd"
ORDERS = tuple(permutations(range(4)))
R = 350.0
PLAIN = (0.0, 0.0, 0.0, 0.0)
COMPENSATED = (17.5, 0.0, 17.5, 0.0)  # wires 0 and 2 are excitation: 385 over 350 ohms
STRONGLY_COMPENSATED = (35.0, 0.0, 35.0, 0.0)  # 420 over 350 ohms
BRIDGES = (PLAIN, COMPENSATED, STRONGLY_COMPENSATED)
FAULTY_BRIDGES = (PLAIN, STRONGLY_COMPENSATED)
ARMS = ((0, 1), (1, 2), (2, 3), (3, 0))
ALL_PAIRS = ((0, 1), (1, 2), (2, 3), (0, 3), (0, 2), (1, 3))


def names(order: tuple[int, ...], wires: tuple[int, ...]) -> frozenset[str]:
    """What the person calls these wires of the bridge."""
    return frozenset(WIRES[order.index(wire)] for wire in wires)


def with_arm(index: int, ohms: float) -> tuple[float, float, float, float]:
    arms = [R, R, R, R]
    arms[index] = ohms
    return (arms[0], arms[1], arms[2], arms[3])


def identify(readings: list[float], order: tuple[int, ...]) -> BridgeIdentification:
    return identify_bridge(permuted(readings, order), WIRES)


def only(found: BridgeIdentification) -> BridgeExplanation:
    assert found.is_certain, found.explanations
    return found.explanations[0]


def assert_wires(item: BridgeExplanation, order: tuple[int, ...], *, told: bool) -> None:
    """Diagonals right; excitation and signal right where the readings tell, else left open."""
    assert item.diagonals is not None
    assert {frozenset(pair) for pair in item.diagonals} == {
        names(order, (0, 2)),
        names(order, (1, 3)),
    }
    if told:
        assert frozenset(item.excitation or ()) == names(order, (0, 2))
        assert frozenset(item.signal or ()) == names(order, (1, 3))
    else:
        assert item.excitation is None
        assert item.signal is None


def test_the_textbook_figures_of_a_balanced_bridge() -> None:
    """Series and parallel by hand: adjacent R with 3R beside it, opposite 2R with 2R beside it."""
    readings = resistances((R, R, R, R))
    assert readings == pytest.approx([0.75 * R, R, 0.75 * R, 0.75 * R, R, 0.75 * R], rel=1e-6)
    readings = resistances(with_arm(0, math.inf))
    assert readings == pytest.approx([3 * R, 2 * R, R, R, 2 * R, R], rel=1e-6)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("series", BRIDGES)
def test_a_sound_bridge_in_every_order(
    order: tuple[int, ...], series: tuple[float, float, float, float]
) -> None:
    found = identify(resistances((R, R, R, R), series=series), order)
    item = only(found)
    assert found.is_sound
    assert_wires(item, order, told=series != PLAIN)
    assert item.nominal_ohms == 350
    assert item.arm_ohms == pytest.approx(R, rel=1e-3)
    assert item.series_ohms == pytest.approx(series[0], abs=0.5)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("series", FAULTY_BRIDGES)
@pytest.mark.parametrize("arm", range(4))
def test_each_broken_arm(
    arm: int, series: tuple[float, float, float, float], order: tuple[int, ...]
) -> None:
    item = only(identify(resistances(with_arm(arm, math.inf), series=series), order))
    assert item.fault is BridgeFault.ARM_OPEN
    assert frozenset(item.at) == names(order, ARMS[arm])
    assert_wires(item, order, told=series != PLAIN)
    assert item.nominal_ohms == 350


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("series", FAULTY_BRIDGES)
@pytest.mark.parametrize("wire", range(4))
def test_each_cut_wire(
    wire: int, series: tuple[float, float, float, float], order: tuple[int, ...]
) -> None:
    item = only(identify(resistances((R, R, R, R), series=series, cut=wire), order))
    assert item.fault is BridgeFault.WIRE_CUT
    assert frozenset(item.at) == names(order, (wire,))
    assert_wires(item, order, told=series != PLAIN)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("series", FAULTY_BRIDGES)
@pytest.mark.parametrize("arm", range(4))
def test_each_shorted_arm(
    arm: int, series: tuple[float, float, float, float], order: tuple[int, ...]
) -> None:
    found = identify(resistances(with_arm(arm, 0.0), series=series), order)
    shorted = [item for item in found.explanations if item.fault is BridgeFault.ARM_SHORTED]
    assert len(shorted) == 1
    assert frozenset(shorted[0].at) == names(order, ARMS[arm])
    if series == PLAIN:  # the same to a meter as two wires that touch, and said so
        assert {item.fault for item in found.explanations} == {
            BridgeFault.ARM_SHORTED,
            BridgeFault.WIRES_SHORTED,
        }
        assert shorted[0].diagonals is None
    else:
        assert found.is_certain
        assert_wires(shorted[0], order, told=True)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("series", FAULTY_BRIDGES)
@pytest.mark.parametrize("pair", ALL_PAIRS)
def test_each_pair_of_wires_shorted(
    pair: tuple[int, int], series: tuple[float, float, float, float], order: tuple[int, ...]
) -> None:
    found = identify(resistances((R, R, R, R), series=series, shorted=pair), order)
    shorted = [item for item in found.explanations if item.fault is BridgeFault.WIRES_SHORTED]
    assert len(shorted) == 1
    item = shorted[0]
    assert frozenset(item.at) == names(order, pair)
    allowed = {BridgeFault.WIRES_SHORTED}
    if pair in ((0, 2), (1, 3)):
        assert_wires(item, order, told=pair == (0, 2) and series != PLAIN)
    elif series == PLAIN:
        allowed.add(BridgeFault.ARM_SHORTED)
    assert {other.fault for other in found.explanations} <= allowed


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("away", [1, 3])
def test_a_half_bridge_on_three_wires(away: int, order: tuple[int, ...]) -> None:
    here, gone = 1000.0, math.inf
    arms = (here, here, gone, gone) if away == 3 else (gone, gone, here, here)
    item = only(identify(resistances(arms), order))
    assert item.fault is BridgeFault.HALF
    assert frozenset(item.at) == names(order, (away,))
    assert frozenset(item.excitation or ()) == names(order, (0, 2))
    assert item.nominal_ohms == 1000


@pytest.mark.parametrize("nominal", [120.0, 350.0, 700.0, 1000.0])
def test_nominal_resistances(nominal: float) -> None:
    item = only(identify_bridge(resistances((nominal,) * 4)))
    assert item.nominal_ohms == nominal


def test_an_unusual_resistance_is_said_to_be_one() -> None:
    odd = identify_bridge(resistances((2400.0,) * 4))
    assert only(odd).nominal_ohms is None
    assert any("not a usual value" in line for line in bridge_advice(odd))


@given(
    seed=st.integers(0, 2**32 - 1),
    series=st.sampled_from(BRIDGES),
    order=st.sampled_from(ORDERS),
)
@settings(max_examples=60, deadline=None)
def test_a_real_meter_and_a_real_cell_still_give_the_right_answer(
    seed: int, series: tuple[float, float, float, float], order: tuple[int, ...]
) -> None:
    """Arms trimmed to 0.3 %, a meter within 0.5 % and 0.3 ohm of lead."""
    source = random.Random(seed)
    arms = [R * source.uniform(0.997, 1.003) for _ in range(4)]
    exact = resistances((arms[0], arms[1], arms[2], arms[3]), series=series)
    read = [value * source.uniform(0.995, 1.005) + source.uniform(0.0, 0.3) for value in exact]
    found = identify(read, order)
    assert found.is_sound
    assert_wires(found.explanations[0], order, told=series != PLAIN)


@given(st.lists(st.floats(0.0, 3000.0) | st.just(math.inf), min_size=6, max_size=6))
@settings(max_examples=60, deadline=None)
def test_any_six_readings_get_an_answer_that_fits_them(readings: list[float]) -> None:
    found = identify_bridge(readings)
    assert all(item.misfit <= 1.0 for item in found.explanations)
    assert bridge_advice(found)


def test_a_difference_within_the_meters_tolerance_decides_nothing() -> None:
    """Two per cent more on one side: a one-per-cent meter cannot call that excitation."""
    readings = resistances((R, R, R, R), series=(3.5, 0.0, 3.5, 0.0))
    coarse = only(identify_bridge(readings, WIRES))
    assert coarse.excitation is None
    fine = only(identify_bridge(readings, WIRES, Tolerance(share=0.002, ohms=0.1)))
    assert fine.excitation == ("a", "c")


@pytest.mark.parametrize(
    "readings",
    [[math.inf] * 6, [0.0] * 6, [350.0] * 6, [262.5, 350, 262.5, 262.5, 350, 900]],
)
def test_what_is_no_bridge_is_called_none(readings: list[float]) -> None:
    found = identify_bridge(readings)
    assert found.explanations == ()
    assert not found.is_sound
    assert bridge_advice(found)[0] == "This is no bridge with at most one fault."


@pytest.mark.parametrize(
    ("readings", "wires"),
    [([1.0] * 5, WIRES), ([1.0] * 6, "aabc"), ([-1.0] + [1.0] * 5, WIRES), ([math.nan] * 6, WIRES)],
)
def test_nonsense_is_refused(readings: list[float], wires: str) -> None:
    with pytest.raises(SteelyardError):
        identify_bridge(readings, tuple(wires))


def test_advice_names_wires_and_the_next_step() -> None:
    sound = bridge_advice(
        identify_bridge(
            resistances((R, R, R, R), series=STRONGLY_COMPENSATED),
            ("red", "green", "black", "white"),
        )
    )
    text = " ".join(sound)
    assert "Excitation (E+, E-): red and black. Signal (A+, A-): green and white." in text
    assert "350 Ω bridge" in text
    assert "push" in text
    short = " ".join(bridge_advice(identify_bridge(resistances((0.0, R, R, R)))))
    assert "more than one explanation" in short
    assert "measure again there" in short
    half = bridge_advice(identify_bridge(resistances((R, R, math.inf, math.inf))))
    assert "Excitation: 1 and 3. Signal: 2." in half
