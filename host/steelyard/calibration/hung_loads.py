"""Which weights make up each load, from the way a technician writes it: ``5,10,10+5,20``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeAlias

from steelyard.calibration.weights import Weight
from steelyard.errors import CalibrationError, ReadingsFileError

Loads: TypeAlias = list[tuple[float, tuple[str, ...]]]
"""Mass in kg and names of the weights of each load."""

HANGER = "hanger"


def hung_loads(
    loads: str,
    oiml_class: str | None,
    tolerance_grams: float | None,
    known: Mapping[str, Weight] | None = None,
    hanger: tuple[float, float] | None = None,
) -> tuple[dict[str, Weight], Loads]:
    """The weights by name, and which of them make up each load.

    A load is a mass in kg or a sum of masses; a mass that occurs twice in a sum is two
    weights.  With ``known``, the pieces are its names.  ``hanger``: mass in kg
    and bound in g of a piece that hangs with every load.
    Raises ReadingsFileError for a text that means no loads, CalibrationError for weights of
    which nothing is known or that their class does not have.
    """
    if not known and (oiml_class is None) == (tolerance_grams is None):
        raise CalibrationError(
            "How well the weights are known is not said, or said twice.",
            "Give their OIML class (such as M1), or a tolerance in grams.",
        )
    described: dict[str, Weight] = {}
    if hanger is not None:
        described[HANGER] = Weight(HANGER, hanger[0], mpe_kg=hanger[1] / 1000.0, traceable=False)
    result: Loads = []
    for text in loads.split(","):
        names = [HANGER] if hanger is not None else []
        for piece in text.split("+"):
            weight = (
                _named(piece.strip(), known, loads)
                if known
                else _marked(piece, names, loads, oiml_class, tolerance_grams)
            )
            names.append(weight.name)
            described[weight.name] = weight
        result.append((sum(described[name].nominal_kg for name in names), tuple(names)))
    return described, result


def _named(name: str, known: Mapping[str, Weight], loads: str) -> Weight:
    if name not in known:
        raise ReadingsFileError(
            f"{name!r} in {loads!r}: no weight of that name.", f"There are {', '.join(known)}."
        )
    return known[name]


def _marked(
    text: str, names: list[str], loads: str, oiml_class: str | None, tolerance_grams: float | None
) -> Weight:
    try:
        mass = float(text)
    except ValueError:
        raise ReadingsFileError(
            f"{text!r} in {loads!r} is no mass.",
            "Write masses in kg joined by commas, sums by +, like 5,10,10+5,20",
        ) from None
    name = f"{mass:g} kg"
    if name in names:
        name += f" no. {sum(other.startswith(name) for other in names) + 1}"
    return Weight(name, mass, oiml_class=oiml_class or "", mpe_kg=(tolerance_grams or 0.0) / 1000.0)
