"""What screens show: frozen records of plain values, made anew whenever they are asked for.

``plain(view)`` (of ``strength.analysis_lines``) makes any of them JSON.  Units
stand in the names: ``_nm`` is N·m about the joint's axis, extension positive;
``_degrees`` is forward bend; ``_seconds`` times are those of the visit (they
run on through restarts of the box), durations where the text says so.  None
means: there is no such figure, and nothing may be shown in its place.
``Measured`` has ``value``, ``standard_uncertainty``, ``unit`` and
``expanded_uncertainty`` (95 %); ``Statement`` has ``code``, ``text``,
``seconds``, ``spoils``.

===================  =====================================================================
`LiveView`           the machine now: ``live``, ``stale_seconds``, ``torque_nm`` ± and its
                     ``torque_quality``, ``angle_degrees``, ``roller_degrees``, ``flags`` in
                     words, ``alarm``
`TraceView`          the last seconds as columns: ``seconds``, ``degrees``, ``torque_nm``
`StepView`           what every step has: ``kind``, ``state``, ``headline`` and ``words`` for
                     the client, ``advice`` for the operator, ``actions`` that can be taken
`RestraintView`      arm range, roller change and range, ``holds``
`BalanceView`        sweeps so far, live residual, crank advice, attempts, curve
`IsometricView`      stations with efforts, phase and its seconds left, torque bar
`SetView`            count, phase, tempo, corridor, this repetition and the last, words
`ResponseView`       before and after, station by station
`VisitView`          the order of steps, cautions, live, the step now going on
===================  =====================================================================
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from steelyard.strength.measured import Measured, Statement


class Quality(Enum):
    """How a value may be shown.  Only ``good`` may look good."""

    GOOD = "good"
    UNCALIBRATED = "not calibrated"
    SATURATED = "saturated"
    FLAGGED = "flagged"
    BEYOND = "beyond the calibration"
    MISSING = "no reading"
    STALE = "not live"


class StepState(Enum):
    """Where a step stands."""

    READY = "ready"
    RUNNING = "running"
    INTERRUPTED = "interrupted"
    DONE = "done"
    SKIPPED = "skipped"
    STOPPED = "stopped"


GOING_ON: frozenset[StepState] = frozenset({StepState.RUNNING, StepState.INTERRUPTED})


class Tone(Enum):
    """How a word to the client is meant; never by colour alone."""

    CALM = "calm"
    GO = "go"
    CHANGE = "change"
    STOP = "stop"


@dataclass(frozen=True)
class Words:
    """A short word to the client, and perhaps a line under it.

    ``code`` is short and stable (``too-fast``), for pictures beside the text.
    """

    code: str
    text: str
    tone: Tone = Tone.CALM
    detail: str = ""


@dataclass(frozen=True)
class LiveView:
    """The machine at the latest sample.

    ``live`` False: show NOT LIVE and no value as present.  ``stale_seconds``: since
    the last sample came (duration).  ``seconds``: of the visit, None before any
    sample.  ``torque_standard_uncertainty_nm`` is that of the value as it stands,
    zero of the cell included.  ``counts`` is raw, for a channel without
    calibration.  ``flags`` in words, load, angle and roller together.
    ``alarm``: overload in words; empty: none.  ``restarts_total`` of the box,
    ``lost_total`` samples of the load channel that never came.
    """

    live: bool
    stale_seconds: float | None
    not_live_because: str
    seconds: float | None
    calibrated: bool
    torque_nm: float | None
    torque_standard_uncertainty_nm: float | None
    torque_quality: Quality
    counts: int | None
    angle_degrees: float | None
    angle_standard_uncertainty_degrees: float | None
    angle_quality: Quality
    roller_degrees: float | None
    roller_quality: Quality
    flags: tuple[str, ...]
    alarm: str
    restarts_total: int
    lost_total: int


@dataclass(frozen=True)
class TraceView:
    """The last seconds as columns of one length, some 20 points a second; None where not sound."""

    seconds: tuple[float, ...]
    degrees: tuple[float | None, ...]
    torque_nm: tuple[float | None, ...]


@dataclass(frozen=True)
class StepView:
    """What every step shows.

    ``headline`` and ``words`` are for the client, ``advice`` for the operator.
    ``actions``: names of the step's methods that make sense now, in order of
    use (``start``, ``skip``, ``redo``, ``stop``, ...).  ``lost``: what an outage
    took away, in words; empty: nothing.
    """

    kind: str
    title: str
    state: StepState
    headline: str
    words: Words
    advice: str
    actions: tuple[str, ...]
    lost: str
    statements: tuple[Statement, ...]


@dataclass(frozen=True)
class RestraintView(StepView):
    """Arm moves, rollers still.

    ``arm_low_degrees`` to ``arm_high_degrees`` seen so far; ``enough_degrees`` of
    movement are needed for a verdict.  ``roller_change_degrees`` since the start,
    ``roller_range_degrees`` seen, ``still_degrees`` the bound of a slip.
    ``holds`` None: not judged (yet).  ``slips`` counts them.
    """

    arm_low_degrees: float | None
    arm_high_degrees: float | None
    arm_range_degrees: float
    enough_degrees: float
    roller_change_degrees: float | None
    roller_range_degrees: float | None
    still_degrees: float | None
    holds: bool | None
    slips: int


@dataclass(frozen=True)
class BalanceAttempt:
    """One balancing: crank setting before, residual found, advice given."""

    crank_turns: float | None
    worst: Measured
    worst_degrees: float
    turns_advised: float
    done: bool
    text: str


@dataclass(frozen=True)
class BalanceView(StepView):
    """How far body, arm and counterweight are from balance.

    ``phase``: ``sweep``, ``crank``, ``balanced``.  ``sweep_speed`` in degrees/s
    now and the slowest and fastest that count; ``extending_sweeps``,
    ``flexing_sweeps`` found so far; ``holds`` relaxed holds found.  ``residual_nm``
    ± is live: torque on the arm as it stands, client relaxed.  ``worst`` is the
    largest over the range seen, at ``worst_degrees``, to be within ``bound_nm``.
    ``turns_advised``: positive adds counterweight; ``way`` says it in a word.
    ``curve``: (degrees, residual N·m, standard uncertainty N·m) over the range.
    ``cranks`` counts settings changed, at most ``cranks_limit`` are useful.
    """

    phase: str
    sweep_speed: float | None
    sweep_speeds_wanted: tuple[float, float]
    extending_sweeps: int
    flexing_sweeps: int
    holds: int
    residual_nm: float | None
    residual_standard_uncertainty_nm: float | None
    crank_turns: float | None
    worst: Measured | None
    worst_degrees: float | None
    bound_nm: float
    top_degrees: Measured | None
    friction: Measured | None
    turns_advised: float | None
    way: str
    balanced: bool
    cranks: int
    cranks_limit: int
    attempts: tuple[BalanceAttempt, ...]
    curve: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class EffortView:
    """One effort as measured.  ``reasons``: why it does not count, in words."""

    number: int
    peak: Measured | None
    plateau: Measured | None
    time_to_peak_seconds: float | None
    steadiness_percent: float | None
    valid: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class StationView:
    """One station.  ``state``: ``to do``, ``now``, ``done``, ``skipped``.  ``best``: highest peak
    of a valid effort."""

    degrees: float
    state: str
    efforts: tuple[EffortView, ...]
    best: Measured | None


@dataclass(frozen=True)
class IsometricView(StepView):
    """An isometric test.

    ``phase``: ``to station``, ``relax``, ``countdown``, ``rise``, ``hold``, ``release``,
    ``rest``, ``done``.  ``phase_seconds_left`` (duration; None where it ends by what
    is done, not by time).  ``torque_nm`` is live, relaxed torque taken off.
    ``target_nm``: bar to aim at, None without; ``guide_nm`` where a smooth rise would be now.
    ``highest_nm`` of the effort going on.  ``off_station_degrees``: how far the arm
    is from the station.  ``acknowledged``: cautions and stop rules were.
    """

    phase: str
    phase_seconds_left: float | None
    stations: tuple[StationView, ...]
    station_degrees: float | None
    off_station_degrees: float | None
    effort_number: int
    efforts_planned: int
    relaxed_nm: float | None
    torque_nm: float | None
    highest_nm: float | None
    target_nm: float | None
    guide_nm: float | None
    acknowledged: bool


@dataclass(frozen=True)
class CorridorView:
    """Where the arm should be: columns of one length over one repetition.

    ``seconds`` from its start; the arm should stay between ``low_degrees`` and
    ``high_degrees``.  ``now_seconds``: where on it this repetition is; None
    between repetitions.  ``torque_nm``: (low, high) that the stack should give.
    """

    seconds: tuple[float, ...]
    low_degrees: tuple[float, ...]
    high_degrees: tuple[float, ...]
    now_seconds: float | None
    torque_nm: tuple[float, float] | None


@dataclass(frozen=True)
class PathView:
    """One repetition as it was moved: columns of one length, ``seconds`` from its start."""

    seconds: tuple[float, ...]
    degrees: tuple[float, ...]
    torque_nm: tuple[float | None, ...]


@dataclass(frozen=True)
class RepetitionView:
    """One repetition as measured; durations in seconds.  ``faults`` by name, ``texts`` with
    numbers; ``complete`` False: samples are missing, and only the count is given."""

    number: int
    range_degrees: Measured
    concentric_seconds: float | None
    eccentric_seconds: float | None
    mean_torque: Measured | None
    peak_torque: Measured | None
    work: Measured | None
    faults: tuple[str, ...]
    texts: tuple[str, ...]
    complete: bool


@dataclass(frozen=True)
class SetView(StepView):
    """A set of slow repetitions.

    ``phase``: ``ready``, ``concentric``, ``turn up``, ``eccentric``, ``turn down``, ``done``.
    ``phase_seconds`` spent in it and ``phase_seconds_asked`` (durations).
    ``pace``: share of the way done over share of the time gone; 1 is the tempo
    asked, above is too fast; None while still.  ``count`` finished
    repetitions, of ``count_asked``.  ``slips``: words on what goes wrong now,
    empty when all is well.  ``stop_advice``: a clinician's rule says stop, with why.
    """

    phase: str
    phase_seconds: float
    phase_seconds_asked: float | None
    pace: float | None
    count: int
    count_asked: int | None
    slips: tuple[Words, ...]
    stop_advice: str
    corridor: CorridorView
    path: PathView | None
    last_path: PathView | None
    repetitions: tuple[RepetitionView, ...]
    load_nm: float | None
    stack_kg: float | None
    work: Measured | None
    seconds_under_load: float


@dataclass(frozen=True)
class ResponseRow:
    """Change at one station; ``real``: more than its own uncertainty."""

    degrees: float
    before: Measured
    after: Measured
    change: Measured
    change_percent: Measured
    real: bool


@dataclass(frozen=True)
class ResponseView(StepView):
    """What the set took out of the client: best valid efforts before and after it."""

    rows: tuple[ResponseRow, ...]


@dataclass(frozen=True)
class PlannedStep:
    """One step of a visit in a list.  ``result``: one line on what it came to."""

    index: int
    kind: str
    title: str
    state: StepState
    result: str


@dataclass(frozen=True)
class VisitView:
    """A whole visit.

    ``current`` is an index into ``steps``; None: all are done or skipped.
    ``cautions`` and ``stop_rules`` have to be acknowledged before a maximal
    effort; ``acknowledged_by`` is who did (empty: nobody).  ``stopped``: the big
    stop was pressed, with what was said; empty: no.  ``outage``: what an unplug
    or restart means now; empty: none.  ``step`` is the view of the current step.
    """

    machine: str
    client_code: str
    steps: tuple[PlannedStep, ...]
    current: int | None
    cautions: tuple[str, ...]
    stop_rules: tuple[str, ...]
    acknowledged_by: str
    stopped: str
    outage: str
    live: LiveView
    step: StepView | None
    remarks: tuple[str, ...]
