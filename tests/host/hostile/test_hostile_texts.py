"""Texts and messages from elsewhere, spoilt: an answer or a plain error, never a trace.

``STEELYARD_HOSTILE_TEXTS=1000000`` for a long run; a finding of the fuzzer
(`fuzz_texts`) is kept in `KEPT`: it broke a promise once.
"""

from __future__ import annotations

import os
import random

import pytest
from host.hostile.texts import DEEP, check, kinds, made, text_of

TEXTS = int(os.environ.get("STEELYARD_HOSTILE_TEXTS", "4000"))
HUGE = "1" + 400 * "0"
KEPT = [
    ("door", f'{{"clock": -{HUGE}}}'),
    ("sheet", f'{{"schema": "steelyard session sheet", "schema_version": 1, "stack_kg": {HUGE}}}'),
    ("feed", "[0.0]"),
    ("feed", '{"type": "loss"}'),
    ("feed", '{"type": "samples", "samples": [null]}'),
    ("wire text", '{"type": "link", "live": false}'),
    ("wire text", "7"),
    ("request", '{"id": 1, "request": "use_calibrations", "paths": ["\\ud800"]}'),
    ("request", '{"id": 1, "request": "use_calibrations", "paths": ["\\u0000"]}'),
    ("request", '{"id": 1, "request": "annotate", "text": "\\ud800"}'),
]


def test_spoilt_texts_are_answered_or_refused() -> None:
    source = random.Random(1)
    names = set()
    for _ in range(TEXTS):
        name, text = made(source.randbytes(source.randrange(6, 60)))
        names.add(name)
        check(name, text)
    assert names == set(kinds())


@pytest.mark.parametrize("name", sorted(kinds()))
def test_what_is_sound_is_taken(name: str) -> None:
    """The texts that are spoilt were sound to begin with."""
    parse, contents = kinds()[name]
    for content in contents:
        parse(text_of(content))


@pytest.mark.parametrize(("name", "text"), KEPT)
def test_findings_stay_fixed(name: str, text: str) -> None:
    check(name, text)


@pytest.mark.parametrize("name", ["calibration", "profile", "sheet", "result", "readings"])
def test_a_file_nested_without_end_is_refused(name: str) -> None:
    check(name, DEEP)
