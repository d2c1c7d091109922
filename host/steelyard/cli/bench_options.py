"""Options of the commands that hang weights: which weights, how well known, where."""

from __future__ import annotations

from pathlib import Path

import click

from steelyard.calibration import Gravity, Weight
from steelyard.calibration.hung_loads import Loads, hung_loads
from steelyard.calibration.readings_file import read_weights
from steelyard.errors import ReadingsFileError

folder_option = click.option(
    "--folder",
    type=click.Path(path_type=Path),
    default=Path("calibrations"),
    show_default=True,
    help="Where calibrations and their history are kept.",
)
loads_option = click.option(
    "--loads",
    metavar="KG,KG,...",
    help="Masses to hang, in kg, rising; sums by +: 5,10,10+5,20,20+5. Or names, with --weights.",
)
weights_option = click.option(
    "weights_file",
    "--weights",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The weights by name, with class or certificate (JSON).",
)
class_option = click.option(
    "--class", "oiml_class", metavar="CLASS", help="OIML R 111 class of the weights (E1 to M3)."
)
tolerance_option = click.option(
    "--tolerance",
    type=click.FloatRange(min=0, min_open=True),
    metavar="G",
    help="How far each weight may be off, in grams, where they have no class.",
)
hanger_option = click.option(
    "hanger_kg",
    "--hanger",
    type=click.FloatRange(min=0, min_open=True),
    metavar="KG",
    help="Mass of a hanger that hangs with every load (not at zero), good to --hanger-tolerance.",
)
hanger_tolerance_option = click.option(
    "hanger_g",
    "--hanger-tolerance",
    type=click.FloatRange(min=0, min_open=True),
    default=5.0,
    show_default=True,
    metavar="G",
)
latitude_option = click.option(
    "--latitude", type=click.FloatRange(-90, 90), help="Degrees, for local gravity."
)
height_option = click.option(
    "--height", type=float, default=0.0, help="Metres above the sea, with --latitude."
)
gravity_option = click.option(
    "--gravity", type=click.FloatRange(9.7, 9.9), help="Local gravity in m/s², if known."
)
gravity_u_option = click.option(
    "--gravity-u", type=click.FloatRange(min=0), default=1e-5, help="Its uncertainty."
)


def local_gravity(
    latitude: float | None, height: float, value: float | None, uncertainty: float
) -> Gravity | None:
    """Gravity as the options say, or None when they say nothing."""
    if value is not None and latitude is not None:
        raise click.UsageError("give either --gravity or --latitude, not both")
    if value is not None:
        return Gravity(value, uncertainty, "entered")
    if latitude is not None:
        return Gravity.at(latitude, height)
    return None


def weights_and_loads(
    loads: str,
    oiml_class: str | None,
    tolerance: float | None,
    weights_file: Path | None = None,
    hanger: tuple[float, float] | None = None,
) -> tuple[dict[str, Weight], Loads]:
    """The weights by name, and which of them make up each load.

    A load is a mass or a sum of masses; a mass that occurs twice in a sum is two
    weights.  With a file, the pieces are names of it.  ``hanger``: mass in kg
    and bound in g of a piece that hangs with every load.
    """
    known = dict(read_weights(weights_file)) if weights_file is not None else {}
    if not known and (oiml_class is None) == (tolerance is None):
        raise click.UsageError(
            "say how well the weights are known: --class M1 (or another), or --tolerance in grams"
        )
    try:
        return hung_loads(loads, oiml_class, tolerance, known, hanger)
    except ReadingsFileError as error:
        raise click.BadParameter(f"{error.what} {error.advice}") from error
