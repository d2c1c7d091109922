"""Capacity, counts, noise and margins of a load cell, against the amplifier's data sheet."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.errors import SteelyardError
from steelyard.simulator.machine_model import HERON, WREN
from steelyard.wiring import Cell, Demand, choose_sensor
from steelyard.wiring.sensor_choice import RATED_NEWTONS, smallest_rating

SHEET = json.loads(
    (Path(__file__).parents[2] / "reference" / "hx711_noise.json").read_text(encoding="utf-8")
)
"""HX711 data sheet; see the file."""


@pytest.mark.parametrize("rate", [10, 80])
def test_noise_in_counts_is_the_data_sheets(rate: int) -> None:
    expected = SHEET["derived"]["noise_counts_rms_at_5V_gain128"][f"{rate}SPS"]
    assert Cell(2000.0, rate_sps=rate).noise_counts == pytest.approx(expected, rel=1e-12)


def test_counts_and_full_scale_are_the_data_sheets() -> None:
    example = SHEET["derived"]["example_2mV_per_V_cell_at_5V"]
    cell = Cell(2000.0)
    assert cell.counts_per_newton * 2000.0 == pytest.approx(example["counts"], rel=1e-12)
    share = cell.rated_newtons / cell.saturation_newtons
    assert share == pytest.approx(example["fraction_of_full_scale"], rel=1e-12)
    for gain in (128, 64):
        full_mv = SHEET["full_scale_mV_at_5V"][f"gain{gain}"]
        found = Cell(2000.0, gain=gain).saturation_newtons
        assert found == pytest.approx(2000.0 * full_mv / 10.0, rel=1e-12)


def test_the_choice_for_the_two_machines() -> None:
    """400 N·m on Heron's 0.30 m and 50 N·m on Wren's 0.16 m: the cells that they carry."""
    heron = choose_sensor(Demand(400.0, HERON.cell_arm_m))
    assert heron.cell.rated_newtons == HERON.cell_rated_newtons
    wren = choose_sensor(Demand(50.0, WREN.cell_arm_m))
    assert wren.cell.rated_newtons == WREN.cell_rated_newtons
    assert heron.warnings == wren.warnings == ()


def test_torque_figures_by_hand() -> None:
    choice = choose_sensor(Demand(400.0, 0.30))
    per_newton = 2e-3 * 128 * 2**24 / 2000.0
    assert choice.counts_per_newton_metre == pytest.approx(per_newton / 0.30)
    assert choice.step_newton_metres == pytest.approx(0.30 / per_newton)
    noise_nm = 90e-9 / 5.0 * 128 * 2**24 / per_newton * 0.30
    assert choice.noise_newton_metres == pytest.approx(noise_nm)
    assert choice.second_noise_newton_metres == pytest.approx(noise_nm / math.sqrt(20.0))
    assert choice.saturation_newton_metres == pytest.approx(2000.0 / 0.512 * 0.30)


@given(torque=st.floats(1.0, 1000.0), arm=st.floats(0.05, 1.0), shock=st.floats(1.0, 3.0))
def test_the_smallest_that_carries_it(torque: float, arm: float, shock: float) -> None:
    demand = Demand(torque, arm, shock)
    if demand.needed_newtons > RATED_NEWTONS[-1]:
        with pytest.raises(SteelyardError, match="largest usual cell"):
            choose_sensor(demand)
        return
    choice = choose_sensor(demand)
    assert choice.cell.rated_newtons >= demand.needed_newtons * (1.0 - 1e-9)
    smaller = [size for size in RATED_NEWTONS if size < choice.cell.rated_newtons]
    assert not smaller or smaller[-1] < demand.needed_newtons
    assert not any("TOO SMALL" in text for text in choice.warnings)


@pytest.mark.parametrize(
    ("rated", "output", "gain", "word"),
    [
        (200.0, 2.0, 128, "TOO SMALL"),
        (50_000.0, 2.0, 128, "too large"),
        (2000.0, 4.0, 128, "saturates"),
        (2_000_000.0, 0.5, 64, "noisy"),
    ],
)
def test_a_bad_choice_is_called_one(rated: float, output: float, gain: int, word: str) -> None:
    demand = Demand(400.0, 0.30)
    choice = choose_sensor(demand, rated_newtons=rated, output_mv_per_v=output, gain=gain)
    assert any(text.startswith(word) for text in choice.warnings), choice.warnings


def test_exactly_enough_is_enough() -> None:
    assert smallest_rating(Demand(400.0, 0.3, 1.5).needed_newtons) == 2000.0


@pytest.mark.parametrize(
    "make",
    [
        lambda: Demand(0.0, 0.3),
        lambda: Demand(400.0, 300.0),
        lambda: Demand(400.0, 0.3, 0.5),
        lambda: Cell(0.0),
        lambda: Cell(2000.0, 20.0),
        lambda: Cell(2000.0, gain=32),
        lambda: Cell(2000.0, rate_sps=40),
        lambda: Cell(2000.0, excitation_volts=12.0),
    ],
)
def test_what_cannot_be_is_refused(make: object) -> None:
    assert callable(make)
    with pytest.raises(SteelyardError):
        make()
