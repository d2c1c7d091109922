"""What people read off a meter."""

from __future__ import annotations

import contextlib
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.errors import SteelyardError
from steelyard.wiring import OPEN, Tolerance, parse_ohms
from steelyard.wiring.ohmmeter import ohms_words


@pytest.mark.parametrize(
    ("text", "ohms"),
    [
        ("352", 352.0),
        (" 352.4 ", 352.4),
        ("352,4", 352.4),
        ("1.05k", 1050.0),
        ("1.05 kΩ", 1050.0),
        ("350 ohm", 350.0),
        ("350Ω", 350.0),
        ("0", 0.0),
        ("open", OPEN),
        ("OL", OPEN),
        ("O.L", OPEN),
        ("inf", OPEN),
        ("12M", OPEN),
    ],
)
def test_readings_as_they_are_written(text: str, ohms: float) -> None:
    assert parse_ohms(text) == pytest.approx(ohms)


@given(st.text(max_size=8))
def test_any_text_is_ohms_or_a_plain_refusal(text: str) -> None:
    with contextlib.suppress(SteelyardError):
        assert parse_ohms(text) >= 0.0


@pytest.mark.parametrize("text", ["", "x", "-5", "1..2", "5 volts", "nan", "1e3"])
def test_what_is_no_resistance(text: str) -> None:
    with pytest.raises(SteelyardError, match=re.escape(f"{text!r} is no resistance")):
        parse_ohms(text)


@pytest.mark.parametrize("text", ["1,050", " 10,000 ", "1,000,000"])
def test_what_may_be_read_in_two_ways_is_asked_back(text: str) -> None:
    with pytest.raises(SteelyardError, match=text.strip().replace(",", "")):
        parse_ohms(text)


def test_words_and_tolerance() -> None:
    assert ohms_words(math.inf) == "open"
    assert ohms_words(350.04) == "350 Ω"
    assert ohms_words(10_000.0) == "10 kΩ"
    assert Tolerance().of(350.0) == pytest.approx(4.5)
    for share, ohms in ((0.0, 1.0), (0.5, 1.0), (0.01, -1.0)):
        with pytest.raises(SteelyardError):
            Tolerance(share, ohms)
