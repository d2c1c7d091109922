"""Filter, integrals, smoothness and segment tables against published and independent figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from reference.published import table
from scipy import integrate, signal
from steelyard.strength.lowpass import design_frequency_hz, gain, low_pass
from steelyard.strength.machine_profile import Joint
from steelyard.strength.segment_check import WINDOWS
from steelyard.strength.smoothness import log_dimensionless_jerk, spectral_arc_length


@pytest.mark.parametrize(
    "row", table("butterworth_dual_pass.csv"), ids=lambda row: f"{row['fs_Hz']}-{row['fc_Hz']}"
)
def test_dual_pass_design_frequency_and_gain_at_cut_off(row: dict[str, str]) -> None:
    rate, cutoff, order = float(row["fs_Hz"]), float(row["fc_Hz"]), int(row["order_N"])
    design = design_frequency_hz(cutoff, rate, order)
    assert design == pytest.approx(float(row["f_design_prewarped_Hz"]), abs=1e-6)
    assert gain(np.array([cutoff]), cutoff, rate, order)[0] == pytest.approx(0.5**0.5, abs=1e-9)


def test_factor_of_winter_for_two_passes_of_second_order() -> None:
    # Winter, 4th ed., p. 69: 0.802; at a low frequency the warped design divides by just that.
    design = design_frequency_hz(0.01, 1000.0, 2)
    assert 0.01 / design == pytest.approx(0.802, abs=5e-4)
    for row in table("butterworth_factor.csv"):
        if row["passes_n"] == "2":
            found = 0.01 / design_frequency_hz(0.01, 1000.0, int(row["order_N"]))
            assert found == pytest.approx(float(row["C"]), rel=1e-6)


@pytest.mark.parametrize("cutoff", [1.5, 3.0, 6.0])
def test_the_filter_is_that_of_scipy_away_from_the_ends(cutoff: float) -> None:
    values = np.cumsum(np.random.default_rng(1).normal(0.0, 1.0, 2000))
    design = design_frequency_hz(cutoff, 80.0)
    sections = signal.butter(2, design, fs=80.0, output="sos")
    theirs = signal.sosfiltfilt(sections, values, padtype="odd", padlen=1500)
    ours = low_pass(values, cutoff, 80.0)
    assert np.max(np.abs(ours - theirs)[200:-200]) < 1e-6
    assert np.max(np.abs(ours - theirs)) < 0.05 * np.ptp(values)


def test_step_response_is_even_and_overshoots_as_scipys_does() -> None:
    step = np.repeat([0.0, 1.0], 400)
    ours = low_pass(step, 3.0, 80.0)
    assert ours[399] + ours[400] == pytest.approx(1.0, abs=1e-9)  # zero phase
    assert ours + ours[::-1] == pytest.approx(np.ones(800), abs=1e-9)
    sections = signal.butter(2, design_frequency_hz(3.0, 80.0), fs=80.0, output="sos")
    assert float(ours.max()) == pytest.approx(
        float(signal.sosfiltfilt(sections, step).max()), abs=1e-6
    )


def test_a_straight_line_passes_unchanged_to_its_very_ends() -> None:
    line = np.linspace(-3.0, 11.0, 300)
    assert low_pass(line, 2.0, 80.0) == pytest.approx(line, abs=1e-9)


def test_white_noise_is_reduced_as_the_gain_says() -> None:
    noise = np.random.default_rng(2).normal(0.0, 1.0, 200_000)
    frequency = np.linspace(0.0, 40.0, 4001)
    power = integrate.trapezoid(gain(frequency, 3.0, 80.0) ** 2, frequency) / 40.0
    assert np.std(low_pass(noise, 3.0, 80.0)) == pytest.approx(math.sqrt(power), rel=0.02)


def minimum_jerk_speed(seconds: float, rate: float) -> np.ndarray:  # type: ignore[type-arg]
    share = np.linspace(0.0, 1.0, round(seconds * rate) + 1)
    return 30.0 * share**2 * (1.0 - share) ** 2 / seconds


@pytest.mark.parametrize("seconds", [1.0, 2.0, 4.0])
def test_jerk_of_a_minimum_jerk_movement_in_closed_form(seconds: float) -> None:
    # Hogan and Sternad 2009: 720 T^5/A^2 becomes 720 / 1.875^2 with the peak speed; -ln of it.
    found = log_dimensionless_jerk(minimum_jerk_speed(seconds, 2000.0), 2000.0)
    assert found == pytest.approx(-math.log(720.0 / 1.875**2), abs=0.01)


def test_spectral_arc_length_against_an_independent_integral() -> None:
    # Definition of Balasubramanian et al. 2015; the spectrum of the minimum-jerk speed by
    # scipy's quadrature, the arc from its derivative, for a movement of one second.
    def amplitude(frequency: float) -> float:
        parts = [
            integrate.quad(
                lambda t: 30.0 * t**2 * (1.0 - t) ** 2, 0.0, 1.0, weight=part,
                wvar=2.0 * math.pi * frequency,
            )[0]
            for part in ("cos", "sin")
        ]  # fmt: skip
        return math.hypot(*parts)

    frequency = np.linspace(1e-9, 10.0, 4001)
    spectrum = np.array([amplitude(one) for one in frequency])
    spectrum /= spectrum.max()
    last = int(np.flatnonzero(spectrum >= 0.05)[-1])
    arc = -float(
        np.sum(
            np.hypot(
                np.diff(frequency[: last + 1]) / frequency[last], np.diff(spectrum[: last + 1])
            )
        )
    )
    assert spectral_arc_length(minimum_jerk_speed(1.0, 1000.0), 1000.0) == pytest.approx(
        arc, abs=0.02
    )


@pytest.mark.parametrize("factor", [0.1, 3.0, 250.0])
def test_spectral_arc_length_does_not_depend_on_size(factor: float) -> None:
    speed = minimum_jerk_speed(2.0, 80.0)
    assert spectral_arc_length(factor * speed, 80.0) == pytest.approx(
        spectral_arc_length(speed, 80.0)
    )


def test_a_stop_half_way_is_less_smooth() -> None:
    once = minimum_jerk_speed(2.0, 80.0)
    twice = np.concatenate([once, np.zeros(40), once])
    assert spectral_arc_length(twice, 80.0) < spectral_arc_length(once, 80.0) - 0.5


def test_mass_fractions_are_those_of_the_tables() -> None:
    winter = {row["segment"]: row for row in table("winter_segments.csv")}
    women = {row["segment"]: row for row in table("de_leva_segments.csv") if row["sex"] == "female"}
    assert WINDOWS[Joint.LUMBAR].mass_fractions == (
        float(winter["Trunk head neck"]["mass_fraction"]),
        float(winter["HAT"]["mass_fraction"]),
    )
    assert WINDOWS[Joint.CERVICAL].mass_fractions == (
        float(women["Head"]["mass_fraction"]),
        float(winter["Head neck"]["mass_fraction"]),
    )
