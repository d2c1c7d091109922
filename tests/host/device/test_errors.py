"""The tree drawn in errors.py is the tree there is."""

from __future__ import annotations

import inspect
import re

import pytest
from steelyard import errors
from steelyard.errors import DeviceRejectedError, SteelyardError


def drawn_tree() -> dict[str, str]:
    """Each class in the drawing with the class it hangs on."""
    parents: dict[str, str] = {}
    path: list[str] = []
    for line in (errors.__doc__ or "").splitlines():
        found = re.match(r"^    ([│├└─ ]*)(\w+Error)\b", line)
        if found:
            depth = len(found[1]) // 4
            path[depth:] = [found[2]]
            if depth:
                parents[found[2]] = path[depth - 1]
    return parents


def test_the_drawing_is_true() -> None:
    classes = [item for _, item in inspect.getmembers(errors, inspect.isclass)]
    ours = [item for item in classes if item.__module__ == errors.__name__]
    real = {item.__name__: item.__base__.__name__ for item in ours if item is not SteelyardError}
    assert drawn_tree() == real
    assert len(real) > 20


def test_every_error_says_what_happened_and_what_to_do() -> None:
    error = SteelyardError("2 of 3 frames are gone.", "Check the cable.")
    assert str(error) == "2 of 3 frames are gone. Check the cable."
    assert (error.what, error.advice) == ("2 of 3 frames are gone.", "Check the cable.")
    assert str(SteelyardError("Gone.")) == "Gone."


def test_a_refusal_keeps_its_numbers() -> None:
    with pytest.raises(SteelyardError) as caught:
        raise DeviceRejectedError("No.", outcome=2, detail=-4)
    assert isinstance(caught.value, DeviceRejectedError)
    assert (caught.value.outcome, caught.value.detail) == (2, -4)
