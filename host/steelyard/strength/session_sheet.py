"""The session sheet: what the operator writes down because no sensor shows it.

Where the crank stood, which plates were chosen, how large the client is, what
was asked of them, by which rules of the practice to stop and to go on, and how
the machine was set up.  No names: clients go by code.  Stored as JSON.

A sheet is kept inside the recording, so that a recording explains itself alone.
What turns out wrong later is corrected in a sheet *beside* the recording
(`beside`), which then counts instead: a recording is never rewritten, its
SHA-256 stays what every earlier report says, and both the sheet of the day and
its correction remain to be compared.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from steelyard.calibration.canonical_json import canonical_text, content_hash
from steelyard.calibration.whole_file import write_whole
from steelyard.errors import SheetError
from steelyard.strength.crank_course import CrankSetting
from steelyard.strength.effort import EffortLimits
from steelyard.strength.form_faults import Prescription
from steelyard.strength.load_rule import LoadRule
from steelyard.strength.plain_record import object_of, record_of, value_of
from steelyard.strength.session_analysis import SessionFacts
from steelyard.strength.set_summary import StopRules

SCHEMA: Final = "steelyard session sheet"
SCHEMA_VERSION: Final = 1
SUFFIX: Final = ".sheet.json"
LONGEST_TEXT: Final = 2000
LARGEST_BYTES: Final = 200_000

_RANGES: Final = {
    "stack_kg": (0.1, 1000.0),
    "body_mass_kg": (20.0, 300.0),
    "stature_metres": (1.0, 2.5),
}
_PARTS: Final = {
    "prescription": Prescription,
    "stop_rules": StopRules,
    "effort_limits": EffortLimits,
    "load_rule": LoadRule,
}


@dataclass(frozen=True)
class SessionSheet:
    """One session's sheet; None and empty: not known.

    ``crank`` holds the settings in the order of time; ``client_range_degrees``
    the extended and the flexed end; ``load_rule`` the practice's rule for the next
    load.  ``service`` is the kind of visit in the practice's own words, ``set_up``
    how seat, pads and restraint stood.  ``client_note`` is printed on the
    client's report, ``note`` on the clinician's.  ``cautions_acknowledged``: the
    client agreed to a maximal test after the cautions were shown.
    """

    crank: tuple[CrankSetting, ...] = ()
    stack_kg: float | None = None
    body_mass_kg: float | None = None
    stature_metres: float | None = None
    client_range_degrees: tuple[float, float] | None = None
    prescription: Prescription = field(default_factory=Prescription)
    stop_rules: StopRules = field(default_factory=StopRules)
    effort_limits: EffortLimits = field(default_factory=EffortLimits)
    load_rule: LoadRule | None = None
    service: str = ""
    set_up: Mapping[str, str] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    cautions_acknowledged: bool = False
    client_note: str = ""
    note: str = ""
    written_at: str = ""
    written_by: str = ""

    def __post_init__(self) -> None:
        for name, (low, high) in _RANGES.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise SheetError(
                    f"“{name}” of the session sheet is {value:g}, not from {low:g} to {high:g}.",
                    "Check the unit.",
                )
        for name in ("service", "client_note", "note", "written_at", "written_by"):
            if len(getattr(self, name)) > LONGEST_TEXT:
                raise SheetError(
                    f"“{name}” of the session sheet is {len(getattr(self, name))} characters long.",
                    f"Use at most {LONGEST_TEXT}.",
                )
        times = [one.from_seconds for one in self.crank]
        if times != sorted(times):
            raise SheetError("The crank's settings are not in the order of time.", "Sort them.")
        if self.client_range_degrees is not None:
            low, high = self.client_range_degrees
            if not low < high:
                raise SheetError(
                    f"The client's range runs from {low:g} to {high:g} degrees.",
                    "Write the extended end first; forward bend is positive.",
                )

    @property
    def facts(self) -> SessionFacts:
        """What the analysis wants to know."""
        return SessionFacts(
            crank_turns=self.crank[0].turns if self.crank else None,
            stack_kg=self.stack_kg,
            body_mass_kg=self.body_mass_kg,
            stature_metres=self.stature_metres,
            client_range=self.client_range_degrees,
            prescription=self.prescription,
            stop_rules=self.stop_rules,
            effort_limits=self.effort_limits,
            crank_course=self.crank,
        )

    @property
    def sheet_id(self) -> str:
        """SHA-256 of the content, in hexadecimal; 41 and 41.0 are one content."""
        return content_hash(sheet_from_json(self.to_json()).content())

    def content(self) -> dict[str, Any]:
        """Everything as plain values, schema included."""
        values = dataclasses.asdict(self)
        return {"schema": SCHEMA, "schema_version": SCHEMA_VERSION, **_lists(values)}

    def to_json(self) -> str:
        """Canonical text: the same sheet is the same bytes."""
        return canonical_text(self.content())


def sheet_of_facts(facts: SessionFacts) -> SessionSheet:
    """A sheet that states these facts: ``sheet_of_facts(facts).facts()`` says the same."""
    crank = facts.crank_course
    if not crank and facts.crank_turns is not None:
        crank = (CrankSetting(facts.crank_turns),)
    return SessionSheet(
        crank=crank,
        stack_kg=facts.stack_kg,
        body_mass_kg=facts.body_mass_kg,
        stature_metres=facts.stature_metres,
        client_range_degrees=facts.client_range,
        prescription=facts.prescription,
        stop_rules=facts.stop_rules,
        effort_limits=facts.effort_limits,
    )


def sheet_from_json(text: str) -> SessionSheet:
    """Read a sheet.  Raises SheetError naming what is wrong and what there is."""
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise SheetError(
            f"This is no session sheet: {error}.", "Check the file for a missing comma or quote."
        ) from error
    if not is_sheet(content):
        raise SheetError(
            f"This is no session sheet: its schema is not “{SCHEMA}”.",
            f'Begin with {{"schema": "{SCHEMA}", "schema_version": {SCHEMA_VERSION}, ...}}.',
        )
    version = content.get("schema_version")
    if version != SCHEMA_VERSION:
        raise SheetError(
            f"Version {version} of session sheets is not known here.", "Use a newer program."
        )
    rest = {k: v for k, v in content.items() if k not in ("schema", "schema_version")}
    return _sheet(rest)


def is_sheet(content: Any) -> bool:
    """Whether parsed JSON calls itself a session sheet."""
    return isinstance(content, dict) and content.get("schema") == SCHEMA


def load_sheet(path: Path) -> SessionSheet:
    """Read a sheet from a file.  Raises SheetError, naming the file."""
    try:
        with path.open("rb") as file:
            text = file.read(LARGEST_BYTES).decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SheetError(
            f"The session sheet {path} could not be read: {error}.", "Check the name."
        ) from error
    try:
        return sheet_from_json(text)
    except SheetError as error:
        raise SheetError(f"{path}: {error.what}", error.advice) from error


def save_sheet(sheet: SessionSheet, path: Path) -> None:
    """Write a sheet whole or not at all.  Raises SheetError when the disk refuses."""
    try:
        write_whole(path, sheet.to_json().encode("ascii"))
    except OSError as error:
        raise SheetError(
            f"The session sheet could not be written to {path}: {error.strerror or error}.",
            "Choose a folder you may write to, with space left.",
        ) from error


def beside(recording: Path) -> Path:
    """Where the corrected sheet of a recording is looked for."""
    return recording.with_suffix(SUFFIX)


def differences(first: SessionSheet, second: SessionSheet) -> tuple[str, ...]:
    """Fields in which two sheets differ, as texts; who wrote them and when left out."""
    one, two = first.content(), second.content()
    return tuple(
        f"{name}: {_short(one[name])} → {_short(two[name])}"
        for name in one
        if one[name] != two[name] and name not in ("written_at", "written_by")
    )


def _short(value: Any) -> str:
    return "not stated" if value in (None, "", [], {}) else json.dumps(value, ensure_ascii=False)


def _sheet(content: Any) -> SessionSheet:
    names = {item.name for item in dataclasses.fields(SessionSheet)}
    stated = object_of(content, "session sheet", names)
    values: dict[str, Any] = {}
    for name, value in stated.items():
        if name in _PARTS:
            values[name] = None if value is None else record_of(_PARTS[name], value, name)
        elif name == "crank":
            values[name] = tuple(
                record_of(CrankSetting, item, f"crank[{place}]")
                for place, item in enumerate(_list(value, name))
            )
        elif name == "client_range_degrees":
            values[name] = None if value is None else _pair(value, name)
        elif name == "cautions":
            values[name] = tuple(value_of(str, item, name) for item in _list(value, name))
        elif name == "set_up":
            values[name] = {
                str(part): value_of(str, text, f"set_up.{part}")
                for part, text in object_of(value, name, value if isinstance(value, dict) else ())
                .items()
            }  # fmt: skip
        elif name == "cautions_acknowledged":
            values[name] = value_of(bool, value, name)
        else:
            hint = float | None if name in _RANGES else str
            values[name] = value_of(hint, value, name)
    values = {k: v for k, v in values.items() if not (v is None and k in _NEVER_NONE)}
    return SessionSheet(**values)


_NEVER_NONE: Final = ("prescription", "stop_rules", "effort_limits")


def _list(value: Any, name: str) -> Sequence[Any]:
    if not isinstance(value, list):
        raise SheetError(f"“{name}” of the session sheet is no list: {value!r}.", "Write [ ].")
    return value


def _pair(value: Any, name: str) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise SheetError(f"“{name}” of the session sheet is not two numbers.", "Write [-8, 55].")
    low, high = (value_of(float, item, name) for item in value)
    return low, high


def _lists(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _lists(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_lists(item) for item in value]
    return value
