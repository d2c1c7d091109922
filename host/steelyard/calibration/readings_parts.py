"""The parts of a file of readings beside its points, each refused by its own name."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any, Final, TypeVar

from steelyard.calibration.creep_test import CreepTest, creep_test
from steelyard.calibration.gravity import Gravity
from steelyard.calibration.in_service import InService
from steelyard.calibration.lever import LeverArm
from steelyard.calibration.readings import Binding, Conditions
from steelyard.calibration.weights import Weight
from steelyard.errors import CalibrationError, ReadingsFileError

Made = TypeVar("Made")

PARTS: Final = ("weights", "gravity", "conditions", "in_service", "arm", "creep", "box")
PLAIN_CONDITIONS: Final = (
    "mass_bound_relative",
    "assumed_repeatability_relative",
    "creep_bound_relative",
    "temperature_celsius",
    "taken_at",
    "operator",
    "note",
)


def weights_of(content: Mapping[str, Any]) -> dict[str, Weight]:
    """Weights by name."""
    weights = [_weight(entry) for entry in _list(content, "weights")]
    if len({weight.name for weight in weights}) < len(weights):
        raise ReadingsFileError("Two weights have one name.", "Name each piece differently.")
    return {weight.name: weight for weight in weights}


def _weight(entry: object) -> Weight:
    if not isinstance(entry, dict):
        raise ReadingsFileError("A weight is not an object.", "Write its fields by name.")
    where = f"weight {entry.get('name', '?')!r}"
    only(where, entry, tuple(item.name for item in fields(Weight)))
    try:
        return Weight(**entry)
    except TypeError as error:
        raise ReadingsFileError(
            f"{where}: a field is missing or of the wrong kind.",
            "Needed are name, nominal_kg, and class, bound or certificate.",
        ) from error
    except CalibrationError as error:
        raise ReadingsFileError(error.what, error.advice) from error


def conditions_of(content: Mapping[str, Any]) -> Conditions:
    """Conditions, gravity and bounds for later."""
    given = content.get("conditions", {})
    if not isinstance(given, dict):
        raise ReadingsFileError("“conditions” is not an object.", "Write its fields by name.")
    only("conditions", given, PLAIN_CONDITIONS)
    checked: dict[str, Any] = {}
    for name, value in given.items():
        if name not in ("taken_at", "operator", "note"):
            checked[name] = number("conditions", name, value)
        elif isinstance(value, str):
            checked[name] = value
        else:
            raise ReadingsFileError(f"conditions: {name} is no text.", "Put it in quotes.")
    try:
        return Conditions(
            gravity=_gravity(content.get("gravity")),
            in_service=_of_numbers("in_service", content.get("in_service", {}), InService),
            **checked,
        )
    except CalibrationError as error:
        raise ReadingsFileError(error.what, error.advice) from error


def _gravity(given: object) -> Gravity:
    if given is None:
        return Gravity.standard()
    if not isinstance(given, dict):
        raise ReadingsFileError("“gravity” is not an object.", "Write latitude_degrees, or value.")
    numbers = {name: number("gravity", name, value) for name, value in given.items()}
    try:
        if set(numbers) <= {"latitude_degrees", "height_metres"} and "latitude_degrees" in numbers:
            return Gravity.at(numbers["latitude_degrees"], numbers.get("height_metres", 0.0))
        if set(numbers) == {"value", "standard_uncertainty"}:
            return Gravity.entered(numbers["value"], numbers["standard_uncertainty"])
    except CalibrationError as error:
        raise ReadingsFileError(error.what, error.advice) from error
    raise ReadingsFileError(
        f"“gravity” holds {', '.join(numbers) or 'nothing'}.",
        "Give latitude_degrees (and height_metres), or value and standard_uncertainty.",
    )


def arm_of(content: Mapping[str, Any]) -> LeverArm | None:
    """The lever arm, where weights hung on one."""
    if "arm" not in content:
        return None
    return _of_numbers("arm", content["arm"], LeverArm)


def creep_of(content: Mapping[str, Any]) -> CreepTest | None:
    """The test with a held load, where one was made."""
    given = content.get("creep")
    if given is None:
        return None
    if not (isinstance(given, dict) and isinstance(given.get("held"), list)):
        raise ReadingsFileError(
            "“creep” has no list “held”.", "Write {“unloaded_counts”: ..., “held”: [[s, counts]]}."
        )
    only("creep", given, ("unloaded_counts", "held"))
    pairs = [
        pair if isinstance(pair, list) and len(pair) == 2 else ["?", "?"] for pair in given["held"]
    ]
    held = [
        (
            number(f"creep, reading {at}", "seconds", pair[0]),
            number(f"creep, reading {at}", "counts", pair[1]),
        )
        for at, pair in enumerate(pairs, start=1)
    ]
    return creep_test(number("creep", "unloaded_counts", given.get("unloaded_counts")), held)


def binding_of(content: Mapping[str, Any]) -> Binding | None:
    """The channel of the box that was read, where it is stated."""
    given = content.get("box")
    if given is None:
        return None
    kinds = {"box_id": str, "channel": int, "sensor_serial": str, "gain": int, "firmware": str}
    if not isinstance(given, dict) or any(
        isinstance(given.get(name), bool) or not isinstance(given.get(name), kind)
        for name, kind in kinds.items()
    ):
        raise ReadingsFileError(
            "“box” does not say which channel of which box was read.",
            f"Needed are {', '.join(kinds)}; or leave “box” out and say it with --box-id.",
        )
    only("box", given, tuple(kinds))
    return Binding(**given)


def _of_numbers(where: str, given: object, make: Callable[..., Made]) -> Made:
    """Something made of plain numbers by name, its own objections kept."""
    if not isinstance(given, dict):
        raise ReadingsFileError(f"“{where}” is not an object.", "Write its fields by name.")
    try:
        return make(**{name: number(where, name, value) for name, value in given.items()})
    except TypeError as error:
        raise ReadingsFileError(
            f"“{where}”: a field is missing or not known: {', '.join(given)}.",
            "See the description of the file of readings.",
        ) from error
    except CalibrationError as error:
        raise ReadingsFileError(error.what, error.advice) from error


def number(where: str, name: str, value: object) -> float:
    """A number, written as one or as text.  Raises ReadingsFileError naming the place."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ReadingsFileError(f"{where}: {name} is no number.", "Write it in digits.")
    try:
        return float(value)
    except (ValueError, OverflowError) as error:
        raise ReadingsFileError(
            f"{where}: {name} “{value}” is no number.", "Write digits and a decimal point, no unit."
        ) from error


def _list(content: Mapping[str, Any], name: str) -> list[object]:
    value = content.get(name, [])
    if not isinstance(value, list):
        raise ReadingsFileError(f"“{name}” is not a list.", "Write [...].")
    return value


def object_with_list(text: str, name: str) -> dict[str, Any]:
    """JSON text as the object it is.  Raises ReadingsFileError where it has no list ``name``."""
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ReadingsFileError(
            f"This is not JSON: {error}.", "Check commas and quotes."
        ) from error
    if not isinstance(content, dict) or not isinstance(content.get(name), list):
        raise ReadingsFileError(
            f"The file has no list called “{name}”.", f"Write {{“{name}”: [...], ...}}."
        )
    return content


def only(where: str, given: Mapping[str, Any], known: tuple[str, ...]) -> None:
    """Raise ReadingsFileError naming every field that is not known."""
    unknown = [name for name in given if name not in known]
    if unknown:
        raise ReadingsFileError(
            f"{where}: {', '.join(unknown)} not known.", f"Known are {', '.join(known)}."
        )
