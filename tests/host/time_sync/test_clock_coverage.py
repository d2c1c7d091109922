"""Does the true clock lie within what the fit states, over links of every kind?

Each link has its own way of being late: evenly by chance, by the milliseconds of USB's
frames, by a reader that looks every 4 ms, by a host that is busy.  ``STEELYARD_CLOCKS``
sets the number of clocks for each link and span; the table of a long run is printed.
"""

from __future__ import annotations

import os
from collections.abc import Callable

import numpy as np
import pytest
from steelyard.recording.mark_schedule import MarkSchedule
from steelyard.time_sync import ClockFit, ClockMark, fit_clock

CLOCKS = int(os.environ.get("STEELYARD_CLOCKS", "40"))
START_NS = 5_000_000_000_000
SPANS_SECONDS = (0.0, 0.3, 1.0, 3.0, 7.0, 60.0)

Chance = np.random.Generator
Link = Callable[[float], tuple[float, float]]
"""Moment [us] to the delays [us] on the way to the box and back."""


def even_link(chance: Chance) -> Link:
    to_box = 300.0 * chance.random()
    return lambda _: (to_box + chance.exponential(150), 300 - to_box + chance.exponential(150))


def steady_link(chance: Chance) -> Link:
    to_box = 300.0 * chance.random()
    return lambda _: (to_box + chance.exponential(3), 300 - to_box + chance.exponential(3))


def usb_link(chance: Chance) -> Link:
    """Either direction waits for the next of the frames that come once a millisecond."""
    phase, rate = 1000.0 * chance.random(), 1 + chance.normal(0, 30e-6)

    def delays(moment_us: float) -> tuple[float, float]:
        in_frame = (moment_us * rate + phase) % 1000
        to_box = 1000 - in_frame + chance.exponential(10)
        turn = 60 + chance.exponential(20)
        back = 1000 - (in_frame + to_box + turn) % 1000 + chance.exponential(40)
        return to_box + turn / 2, back + turn / 2

    return delays


def polled_link(chance: Chance) -> Link:
    return lambda _: (50 + chance.exponential(20), 50 + 4000 * chance.random())


def busy_link(chance: Chance) -> Link:
    def held(part: float, mean_us: float) -> float:
        return float(chance.exponential(mean_us)) if chance.random() < part else 0.0

    return lambda _: (
        60 + chance.exponential(30) + held(0.3, 8000),
        60 + chance.exponential(50) + held(0.5, 15_000),
    )


LINKS = {
    "even": even_link,
    "steady": steady_link,
    "usb": usb_link,
    "polled": polled_link,
    "busy": busy_link,
}


class Box:
    """A clock that is wrong by what crystals are, behind a link."""

    def __init__(self, link: str, seed: int, span_seconds: float) -> None:
        chance = np.random.default_rng([seed, round(10 * span_seconds)])
        self.fast = float(chance.normal(0, 30e-6))
        self.delays_us = LINKS[link](chance)
        self.chance = chance

    def device_us(self, host_ns: float) -> int:
        return int((host_ns - START_NS) / 1000 * (1 + self.fast)) + 123_456_789

    def mark(self, host_ns: int) -> ClockMark:
        to_box, back = self.delays_us(host_ns / 1000)
        middle_ns = host_ns + round((to_box + back) * 500)
        device_us = self.device_us(host_ns + to_box * 1000)
        return ClockMark(1, device_us, middle_ns, middle_ns, round(to_box + back))

    def fit(self, span_seconds: float) -> ClockFit:
        """Marks as a recorder makes them, from the first until the span is over."""
        schedule, now_ns = MarkSchedule(START_NS), START_NS
        marks = []
        while now_ns <= START_NS + span_seconds * 1e9:
            marks.append(self.mark(now_ns))
            schedule.made(now_ns)
            now_ns += int(schedule.seconds_left(now_ns) * 1e9)
            now_ns += int(3e6 * self.chance.random())
        return fit_clock(marks)


def errors_in_units_of_u(link: str, seed: int, span_seconds: float) -> list[float]:
    """Of the rate, and of times mapped in the middle, at the end, and as long again after it."""
    box = Box(link, seed, span_seconds)
    fit = box.fit(span_seconds)
    errors = [(fit.device_fast_ppm - box.fast * 1e6) / fit.device_fast_ppm_uncertainty]
    for part in (0.5, 1.0, 2.0):
        truth_ns = START_NS + round(part * span_seconds * 1e9)
        device_us = box.device_us(truth_ns)
        error_us = (int(fit.host_monotonic_ns(device_us)) - truth_ns) / 1000
        errors.append(error_us / float(fit.uncertainty_us(device_us)))
    return errors


@pytest.mark.parametrize("link", LINKS)
def test_the_truth_lies_within_two_standard_uncertainties(link: str) -> None:
    shares = []
    for span_seconds in SPANS_SECONDS:
        errors = np.array([errors_in_units_of_u(link, n, span_seconds) for n in range(CLOCKS)])
        shares.append(np.mean(np.abs(errors) <= 2, axis=0))
        rms = np.sqrt(np.mean(errors**2, axis=0))
        print(f"{link:7}{span_seconds:6.1f} s: within 2u {shares[-1]}, rms / u {rms.round(2)}")
        assert shares[-1].min() >= 0.9
    assert np.mean(shares, axis=0).min() >= 0.95


@pytest.mark.parametrize(("link", "ppm"), [("steady", 1.0), ("usb", 20.0), ("polled", 10.0)])
def test_what_is_stated_is_also_of_use(link: str, ppm: float) -> None:
    """A minute is enough to know a clock's rate far better than its crystal's data sheet."""
    after = [Box(link, n, 60.0).fit(60.0).device_fast_ppm_uncertainty for n in range(10)]
    assert np.median(after) < ppm / 5
