"""What the certificate of a force or torque calibration says, and of an angle."""

from __future__ import annotations

from typing import Final

from steelyard.calibration import AngleCalibration, AnyCalibration
from steelyard.calibration.history import Act, History
from steelyard.calibration.quantity import Quantity, quantity_of
from steelyard.calibration.uncertainty import format_measurement
from steelyard.certificate import angle_sections, life_sections, load_sections
from steelyard.printed.document import PrintedDocument, Section

CAUTION: Final = (
    "In-house calibration. Not an accredited certificate: no accreditation body has assessed how "
    "it was made. The measuring system is not a medical device; nothing here is advice on "
    "training or treatment."
)


def certificate_of(
    calibration: AnyCalibration,
    history: History,
    *,
    issued_at: str,
    practice: str = "",
    machine: str = "",
) -> PrintedDocument:
    """Put the certificate together; ``issued_at`` as ISO 8601.

    Needs matplotlib for the drawings.
    """
    if isinstance(calibration, AngleCalibration):
        kind, sections = "angle", angle_sections.sections(calibration, history)
        headline = _angle_headline(calibration)
    else:
        quantity = quantity_of(calibration)
        kind = quantity.name
        headline = _load_headline(quantity)
        sections = [
            *load_sections.sections(quantity),
            life_sections.found_and_left(quantity, history),
            *life_sections.checks(quantity, history),
        ]
    conditions = _conditions(calibration)
    binding = calibration.binding
    identity = Section(
        "What was calibrated",
        facts=_stated(
            ("Practice", practice),
            ("Machine", machine),
            ("Sensor box", binding.box_id),
            ("Channel", str(binding.channel)),
            ("Sensor", binding.sensor_serial or "NOT NAMED: no serial number in the box"),
            ("Gain", "" if isinstance(calibration, AngleCalibration) else str(binding.gain)),
            ("Firmware", binding.firmware),
            ("Calibrated at", conditions.taken_at or "not dated"),
            ("Calibrated by", conditions.operator or "not stated"),
            ("Due", str(calibration.due_on or "never: the calibration is not dated")),
            ("Note", conditions.note),
        ),
    )
    number = calibration.calibration_id[:12]
    said = (*filter(None, (binding.unnamed_sensor,)), *calibration.remarks)
    remarks = Section("Remarks", paragraphs=said or ("None.",))
    return PrintedDocument(
        title="Certificate of in-house calibration",
        subtitle=" · ".join(part for part in (practice, machine, kind) if part),
        number=number,
        issued_at=issued_at,
        caution=CAUTION,
        headline=headline,
        sections=(identity, *sections, remarks),
        seals=_stated(
            ("Content hash of the calibration (SHA-256)", calibration.calibration_id),
            ("Last entry of the history (SHA-256)", history.head if history.entries else ""),
        ),
        foot=f"in-house calibration {number}, not an accredited certificate",
        signatures=("calibrated by, date", "read and filed by, date"),
        data={
            "calibration_id": calibration.calibration_id,
            "history_head": history.head,
            "in_force": history.in_force == calibration.calibration_id,
            "as_found": _contents(history, Act.AS_FOUND),
            "as_left": _contents(history, Act.AS_LEFT, calibration.calibration_id),
            "checks": _contents(history, Act.CHECKED, calibration.calibration_id),
        },
    )


def _contents(history: History, act: Act, calibration_id: str | None = None) -> list[object]:
    return [entry.content for entry in history.of(act, calibration_id)]


def _conditions(calibration: AnyCalibration) -> load_sections.Circumstances:
    if isinstance(calibration, AngleCalibration):
        own = calibration.conditions
        return load_sections.Circumstances(own.taken_at, own.operator, own.note)
    made = quantity_of(calibration).force.conditions
    return load_sections.Circumstances(made.taken_at, made.operator, made.note)


def _load_headline(quantity: Quantity) -> tuple[tuple[str, str], ...]:
    sensitivity = quantity.calibration.sensitivity_budget()
    full = quantity.budget(quantity.high)
    return (
        ("Range", f"{quantity.low:.0f} to {quantity.high:.1f} {quantity.unit}"),
        (
            "Sensitivity",
            format_measurement(
                quantity.sensitivity,
                sensitivity.expanded_uncertainty,
                sensitivity.unit,
                sensitivity.coverage_factor,
            ),
        ),
        (
            "One sample at full scale",
            format_measurement(
                quantity.high, full.expanded_uncertainty, quantity.unit, full.coverage_factor
            ),
        ),
        ("Due", str(quantity.calibration.due_on or "not dated")),
    )


def _angle_headline(calibration: AngleCalibration) -> tuple[tuple[str, str], ...]:
    middle = 0.5 * (calibration.low_degrees + calibration.high_degrees)
    budget = calibration.budget(middle)
    return (
        ("Range", f"{calibration.low_degrees:g}° to {calibration.high_degrees:g}°"),
        ("Uncertainty of a reading", f"± {budget.expanded_uncertainty:.2f}° (95 %)"),
        ("Due", str(calibration.due_on or "not dated")),
    )


def _stated(*facts: tuple[str, str]) -> tuple[tuple[str, str], ...]:
    return tuple(fact for fact in facts if fact[1])
