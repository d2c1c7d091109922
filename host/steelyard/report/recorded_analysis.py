"""One recording to one complete analysis, with everything it came from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from steelyard.calibration import (
    AngleCalibration,
    AnyCalibration,
    ForceCalibration,
    TorqueCalibration,
)
from steelyard.calibration.in_service import days_between
from steelyard.errors import (
    AnalysisError,
    CalibrationError,
    ProfileError,
    SteelyardError,
    WrongBoxError,
    WrongMachineError,
)
from steelyard.recording.reader import Recording, read_recording
from steelyard.report.provenance import Provenance, UsedCalibration, file_sha256
from steelyard.report.sources import (
    ChosenProfile,
    ChosenSheet,
    find_calibrations,
    find_profile,
    find_sheet,
)
from steelyard.strength.channel_scales import angle_scale, load_scale
from steelyard.strength.machine_profile import MachineProfile
from steelyard.strength.measured import Statement
from steelyard.strength.recorded_signals import signals_of
from steelyard.strength.session_analysis import SessionAnalysis, analyse_session
from steelyard.strength.session_sheet import SessionSheet
from steelyard.strength.signals import Signals
from steelyard.strength.torque_scale import TorqueScale


@dataclass(frozen=True)
class RecordedAnalysis:
    """A session analysed.  ``profile`` and ``signals`` None where nothing could be measured.

    Then ``found`` holds one statement that says why, and no figure.
    """

    recording: Recording
    chosen_profile: ChosenProfile | None
    chosen_sheet: ChosenSheet
    signals: Signals | None
    found: SessionAnalysis
    provenance: Provenance

    @property
    def profile(self) -> MachineProfile | None:
        """The machine's profile."""
        return self.chosen_profile.profile if self.chosen_profile else None

    @property
    def sheet(self) -> SessionSheet:
        """The session's sheet."""
        return self.chosen_sheet.sheet

    @property
    def measured(self) -> bool:
        """Whether there is anything but a statement of why there is nothing."""
        return self.signals is not None


def analyse_recording(
    recording: Path | Recording,
    calibrations: Iterable[Path | AnyCalibration] = (),
    *,
    profile: ChosenProfile | None = None,
    sheet: SessionSheet | None = None,
) -> RecordedAnalysis:
    """Analyse a recorded session.

    ``calibrations``: themselves, files, or the folder of a practice; those inside
    the recording are used where none is given for a channel.  ``profile`` and
    ``sheet`` go before those beside and inside the recording (see ``sources``).

    Raises CalibrationError (none, damaged), WrongBoxError (boxes swapped),
    WrongMachineError, ProfileError, SheetError, AnalysisError (too few samples),
    RecordingError (the file cannot be read).
    """
    held = recording if isinstance(recording, Recording) else read_recording(recording)
    chosen = find_profile(held, profile)
    written = find_sheet(held, sheet)
    found = find_calibrations(held, calibrations)
    used = _used(held, found, chosen.profile)
    signals = _signals(held, chosen.profile, found)
    analysis = analyse_session(signals, chosen.profile, written.sheet.facts)
    overdue = tuple(_overdue(one) for one in used if one.overdue)
    later = tuple(_later(one) for one in used if one.taken_at[:10] > recorded_at(held)[:10])
    return RecordedAnalysis(
        held,
        chosen,
        written,
        signals,
        replace(analysis, statements=(*overdue, *later, *analysis.statements)),
        _provenance(held, chosen, written, used),
    )


def examine_recording(
    recording: Path | Recording,
    calibrations: Iterable[Path | AnyCalibration] = (),
    *,
    profile: ChosenProfile | None = None,
    sheet: SessionSheet | None = None,
) -> RecordedAnalysis:
    """As ``analyse_recording``; what stands in the way of figures becomes a statement.

    Raises RecordingError and SheetError only: without them there is nothing to report on.
    """
    held = recording if isinstance(recording, Recording) else read_recording(recording)
    written = find_sheet(held, sheet)
    try:
        return analyse_recording(held, calibrations, profile=profile, sheet=sheet)
    except (CalibrationError, AnalysisError) as error:
        said = Statement(_code(error), str(error), spoils=True)
        empty = SessionAnalysis(None, None, None, None, None, (), (), (), (), (said,))
        return RecordedAnalysis(
            held, None, written, None, empty, _provenance(held, None, written, ())
        )


def _code(error: SteelyardError) -> str:
    codes: tuple[tuple[type[SteelyardError], str], ...] = (
        (WrongBoxError, "wrong-box"),
        (CalibrationError, "no-calibration"),
        (WrongMachineError, "wrong-machine"),
        (ProfileError, "no-profile"),
    )
    return next((code for kind, code in codes if isinstance(error, kind)), "not-analysed")


def recorded_at(held: Recording) -> str:
    """When the recording began, ISO 8601 in UTC, to the second."""
    seconds = held.origin.started_unix_ns / 1e9
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _signals(
    held: Recording, profile: MachineProfile, calibrations: dict[int, AnyCalibration]
) -> Signals:
    """The session's load channel in N·m; refuses to go on without its calibration."""
    channel = profile.channels.load
    if channel not in held.loads:
        raise AnalysisError(
            f"The recording has no samples of load channel {channel}.",
            "Check with `steelyard validate` what was recorded.",
        )
    roller = profile.channels.roller
    return signals_of(
        held.loads[channel],
        _scale(held, profile, calibrations.get(channel)),
        angle_scale(calibrations.get(profile.channels.arm_angle), profile),
        None if roller is None else held.angles.get(roller),
        profile.roller,
    )


def _scale(
    held: Recording, profile: MachineProfile, calibration: AnyCalibration | None
) -> TorqueScale:
    scale = load_scale(calibration, profile, lambda one: _days_apart(held, one))
    if scale is not None:
        return scale
    raise CalibrationError(
        f"There is no calibration of load channel {profile.channels.load}: the recording holds raw "
        "counts, and no torque is given.",
        "Name it with --calibration, or calibrate the channel: `steelyard calibrate --help`.",
    )


def _used(
    held: Recording, calibrations: dict[int, AnyCalibration], profile: MachineProfile
) -> tuple[UsedCalibration, ...]:
    channels = (profile.channels.load, profile.channels.arm_angle)
    return tuple(
        _use(held, number, calibrations[number]) for number in channels if number in calibrations
    )


def _taken_at(one: AnyCalibration) -> str:
    made = one.pull.conditions if isinstance(one, TorqueCalibration) else one.conditions
    return made.taken_at


def _days_apart(held: Recording, one: AnyCalibration) -> float:
    """Days between calibration and session, whichever came first: drift runs both ways."""
    return days_between(_taken_at(one), recorded_at(held))


def _use(held: Recording, number: int, one: AnyCalibration) -> UsedCalibration:
    names = {ForceCalibration: "force", TorqueCalibration: "torque", AngleCalibration: "angle"}
    at = recorded_at(held)
    due = one.due_on
    return UsedCalibration(
        number,
        names[type(one)],
        one.calibration_id,
        _taken_at(one),
        _days_apart(held, one),
        "" if due is None else due.isoformat(),
        due is not None and at[:10] > due.isoformat(),
    )


def _overdue(one: UsedCalibration) -> Statement:
    text = (
        f"The {one.quantity} calibration {one.calibration_id[:12]} was due on {one.due_on}, before "
        "this session. Its uncertainty grows with its age and is in every figure; calibrate soon."
    )
    return Statement("calibration-overdue", text)


def _later(one: UsedCalibration) -> Statement:
    text = (
        f"The {one.quantity} calibration {one.calibration_id[:12]} was made {one.age_days:.0f} "
        "days after this session. The days between count as drift, as they would the other way "
        "round, and are in every figure."
    )
    return Statement("calibration-later", text)


def _provenance(
    held: Recording,
    profile: ChosenProfile | None,
    sheet: ChosenSheet,
    used: tuple[UsedCalibration, ...],
) -> Provenance:
    origin = held.origin
    return Provenance(
        recording_id=origin.recording_id,
        recording_file=held.path.name,
        recording_sha256=file_sha256(held.path),
        recorded_at=recorded_at(held),
        client_code=origin.client_code,
        machine=origin.machine,
        box_id=origin.box_id,
        firmware_version=origin.firmware_version,
        calibrations=used,
        profile_sha256=profile.profile_id if profile else "",
        profile_source=profile.source if profile else "none",
        sheet_sha256=sheet.sheet.sheet_id,
        sheet_source=sheet.source,
        sheet_corrections=sheet.corrections,
    )
