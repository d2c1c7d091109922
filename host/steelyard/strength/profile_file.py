"""Machine profiles as JSON: the two that come with Steelyard, and a practice's own."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any, Final

from steelyard.errors import ProfileError
from steelyard.strength.arm_torque import AngleReference, MomentArm
from steelyard.strength.machine_profile import (
    Channels,
    Counterweight,
    Joint,
    MachineProfile,
    Roller,
    Stack,
)
from steelyard.strength.measured import Measured

SCHEMA: Final = "steelyard machine profile"
SCHEMA_VERSION: Final = 1
READY: Final = ("heron", "wren")


def ready_profile(name: str) -> MachineProfile:
    """One of the profiles that come with the program: ``heron`` or ``wren``.

    Raises ProfileError for another name.
    """
    return profile_from_json(_ready_text(name))


def _ready_text(name: str) -> str:
    if name not in READY:
        raise ProfileError(
            f"There is no ready profile “{name}”.", f"There are: {', '.join(READY)}."
        )
    folder = resources.files("steelyard.strength") / "profiles"
    return (folder / f"{name}.json").read_text(encoding="utf-8")


def load_profile(name_or_path: str) -> MachineProfile:
    """A ready profile by name, or one from a file.

    Raises ProfileError when it cannot be read or understood.
    """
    return profile_from_json(profile_text(name_or_path))


def profile_text(name_or_path: str) -> str:
    """The JSON of a ready profile or of a file, as it stands.

    Raises ProfileError when it cannot be read.
    """
    if name_or_path.casefold() in READY:
        return _ready_text(name_or_path.casefold())
    path = Path(name_or_path)
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, ValueError) as error:  # no UTF-8, or no name that a file can have
        raise ProfileError(
            f"The machine profile {path} could not be read: {error}.",
            f"Give a file, or one of the ready ones: {', '.join(READY)}.",
        ) from error


def profile_from_json(text: str) -> MachineProfile:
    """Read a profile.  Raises ProfileError naming what is missing or wrong."""
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ProfileError(f"This is no machine profile: {error}.", "Check the file.") from error
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        raise ProfileError(
            f"This is no machine profile: its schema is not “{SCHEMA}”.", "Check the file."
        )
    if content.get("schema_version") != SCHEMA_VERSION:
        raise ProfileError(
            f"Version {content.get('schema_version')} of machine profiles is not known here.",
            "Use a newer program.",
        )
    try:
        return _profile(content)
    except KeyError as error:
        raise ProfileError(
            f"The machine profile lacks {error}.", "Compare it with a ready one."
        ) from error
    except (TypeError, ValueError, OverflowError, AttributeError) as error:
        raise ProfileError(
            f"A value of the machine profile has the wrong form: {error}.",
            "Compare it with a ready one.",
        ) from error


def _profile(content: dict[str, Any]) -> MachineProfile:
    measured = _measured
    angle, weight, stack = content["arm_angle"], content["counterweight"], content["stack"]
    roller = content.get("roller")
    arm = measured(content["moment_arm"], "m")
    low, high = content["travel_degrees"]
    return MachineProfile(
        name=str(content["name"]),
        joint=Joint(content["joint"]),
        channels=Channels(**content["channels"]),
        moment_arm=MomentArm(arm.value, arm.standard_uncertainty),
        angle_zero=AngleReference(
            float(angle["counts"]),
            float(angle["degrees"]),
            float(angle["standard_uncertainty_degrees"]),
            int(angle["counts_per_turn"]),
        ),
        angle_periodic_degrees=float(angle["periodic_error_bound_degrees"]),
        travel_degrees=(float(low), float(high)),
        lock_degrees=tuple(float(at) for at in content["lock_degrees"]),
        roller=None if roller is None else Roller(**roller),
        arm_moment=measured(content["arm_moment"], "N·m"),
        arm_top_degrees=measured(content["arm_top_dead_centre"], "°"),
        arm_inertia=measured(content["arm_inertia"], "kg·m²"),
        counterweight=Counterweight(
            measured(weight["moment_per_turn"], "N·m"),
            measured(weight["top_dead_centre"], "°"),
            float(weight["turns_limit"]),
            float(weight["turn_step"]),
        ),
        stack=Stack(
            tuple(float(plate) for plate in stack["plates_kg"]),
            measured(stack["arm"], "m"),
            float(stack["friction_ratio"]),
            tuple((float(at), float(factor)) for at, factor in stack.get("cam", [])),
        ),
        friction=measured(content["friction"], "N·m"),
        viscous=measured(content["viscous_friction"], "N·m·s/rad"),
        yield_degrees_per_nm=float(content["yield_degrees_per_newton_metre"]),
        balance_bound_nm=float(content["balance_bound_newton_metres"]),
        relaxed_scatter_nm=float(content["relaxed_scatter_newton_metres"]),
        torque_limit_nm=float(content["torque_limit_newton_metres"]),
        box_id=str(content.get("box_id", "")),
    )


def _measured(content: dict[str, Any], unit: str) -> Measured:
    if content["unit"] != unit:
        raise ValueError(f"the unit of {content} is not {unit}")
    return Measured(float(content["value"]), float(content["standard_uncertainty"]), unit)
