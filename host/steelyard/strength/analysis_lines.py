"""An analysis as text for a person, and as plain values for another program."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from enum import Enum
from typing import Any

from steelyard.strength.effort import Effort
from steelyard.strength.isometric import IsometricTest
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.session_analysis import SessionAnalysis
from steelyard.strength.set_summary import SetSummary
from steelyard.strength.torque_curve import TorqueCurve


def analysis_lines(found: SessionAnalysis, profile: MachineProfile) -> list[str]:
    """The whole analysis, line by line; uncertainties are expanded, k = 2 (95 %)."""
    lines = [
        f"{profile.name} ({profile.joint.value}); angles: forward bend positive; torque: extension "
        "positive; ± is the expanded uncertainty, k = 2 (95 %)"
    ]
    lines += _restraint_lines(found) + _balance_lines(found)
    for number, (test, curve) in enumerate(zip(found.tests, found.curves, strict=True), start=1):
        lines += _test_lines(number, test, curve)
    for number, one in enumerate(found.sets, start=1):
        lines += _set_lines(number, one)
    if found.responses:
        lines.append("response to the set(s), first test to last")
        lines += [
            f"   at {one.degrees:z.0f}°: {one.change.text()}, {one.change_percent.text()}"
            + ("" if one.real else " (within its uncertainty)")
            for one in found.responses
        ]
    if found.statements:
        lines.append("to be said")
        lines += [f"   {one.text}" for one in found.statements]
    return lines


def _restraint_lines(found: SessionAnalysis) -> list[str]:
    check = found.restraint
    if check is None:
        return []
    verdict = {True: "holds", False: "SLIPS", None: "not judged"}[check.holds]
    roller = check.roller_range_degrees
    seen = "" if roller is None else f", roller within {roller:z.1f}°"
    return [f"restraint: {verdict}; arm moved {check.arm_range_degrees:z.0f}°{seen}"]


def _balance_lines(found: SessionAnalysis) -> list[str]:
    balance, advice, weight = found.balance, found.advice, found.weight
    if balance is None or advice is None:
        return ["balance: not measured"]
    at, worst = balance.worst()
    lines = [
        f"balance: at most {worst.text()} left, at {at:z.0f}° ({balance.low_degrees:z.0f} to "
        f"{balance.high_degrees:z.0f}° seen)"
    ]
    top = balance.top_degrees
    lines.append(
        f"   as one weight: {balance.amplitude.text()}, top dead centre "
        + ("undetermined, so little is left" if top is None else f"at {top.text()}")
    )
    if balance.friction is not None:
        lines.append(f"   friction, against the movement: {balance.friction.text()}")
    if weight is not None:
        for name, moment, its_top in (
            ("client and arm", weight.with_arm, weight.with_arm_top_degrees),
            ("client alone", weight.client, weight.client_top_degrees),
        ):
            where = "" if its_top is None else f", top dead centre at {its_top.text()}"
            lines.append(f"   weight of {name}: {moment.text()}{where}")
    return [*lines, f"   {advice.text()}"]


def _test_lines(number: int, test: IsometricTest, curve: TorqueCurve | None) -> list[str]:
    if not test.stations:
        return [f"isometric test {number}: none"]
    lines = [
        f"isometric test {number}: relaxed torque taken off; peak is the highest mean over 0.5 s, "
        "plateau over 3 s"
    ]
    for station in test.stations:
        lines += [f"   at {station.degrees:z.0f}°: {_effort_text(one)}" for one in station.efforts]
    if curve is None:
        return [*lines, "   no curve: fewer than two stations with a valid effort"]
    return [
        *lines,
        f"   curve from {curve.low_degrees:z.0f} to {curve.high_degrees:z.0f}°: area "
        f"{curve.area().text()}, flexed over extended end {curve.flexed_to_extended().text()}",
    ]


def _effort_text(one: Effort) -> str:
    wrong = "; ".join(f"{item.text}" for item in one.statements)
    if one.peak is None:
        return f"not measured. {wrong}"
    plateau = "no plateau" if one.plateau is None else f"plateau {one.plateau.text()}"
    steady = "" if one.steadiness_percent is None else f", steady to {one.steadiness_percent:.1f} %"
    text = f"peak {one.peak.text()}, {plateau}{steady}, peak after {one.time_to_peak_seconds:.1f} s"
    rise = ", ".join(f"{1e3 * window:.0f} ms {slope.text()}" for window, slope in one.rise)
    text += f"; mean rise {rise}" if rise else ""
    if not wrong:
        return text
    return f"{text}. {wrong}" if one.valid else f"{text}. NOT VALID: {wrong}"


def _set_lines(number: int, one: SetSummary) -> list[str]:
    lines = [
        f"set {number}: {one.count} repetitions, {one.seconds_under_load:.0f} s under load, "
        f"{one.work.text()} done on the stack going up",
        "   torque and work are those on the stack; work of muscles has friction and residual "
        "weight added",
    ]
    for repetition in one.repetitions:
        measures = repetition.measures
        faults = ", ".join(f"{item.fault.value} ({item.text})" for item in repetition.findings)
        up, down = measures.concentric, measures.eccentric
        text = f"   {repetition.number}: {measures.range_degrees.text()}"
        if up is not None and down is not None:
            muscle = "" if up.muscle_work is None else f" (muscles {up.muscle_work.text()})"
            text += (
                f", up {up.seconds:.1f} s, down {down.seconds:.1f} s, mean {up.mean_torque.text()}"
                f", peak {up.peak_torque.text()}, work {up.work.text()}{muscle}, "
                f"{up.mean_power.text()}, smoothness {up.smoothness:.2f}"
            )
        else:
            text += ", samples missing: nothing else is given"
        lines.append(text + (f". {faults}" if faults else ""))
    for name, change in (("speed", one.speed_change), ("range", one.range_change)):
        if change is not None:
            lines.append(f"   {name} changed by {change.text()} over the set")
    if one.stop is not None:
        lines.append(f"   stop after repetition {one.stop.after_repetition}: {one.stop.reason}")
    return [*lines, *(f"   {said.text}" for said in one.statements)]


def plain(value: Any) -> Any:
    """Records, enumerations and not-a-number as what JSON has: objects, texts, null.

    A measured value also shows its expanded uncertainty.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {item.name: plain(getattr(value, item.name)) for item in dataclasses.fields(value)}
        expanded = getattr(value, "expanded_uncertainty", None)
        return fields if expanded is None else {**fields, "expanded_uncertainty": plain(expanded)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
