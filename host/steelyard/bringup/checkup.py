"""The whole check on one box session: rest, pushes, sweeps, settings; findings and figures."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from steelyard_protocol.records import ChannelDescription, ChannelKind, Outcome, SettingKey, Status

from steelyard.bringup.angle_checks import AngleChannel, check_angle, measure_angle
from steelyard.bringup.computer import PortFacts
from steelyard.bringup.computer_checks import check_computer
from steelyard.bringup.finding import Finding, Measured, Severity
from steelyard.bringup.link_checks import (
    SILENT_SECONDS,
    LinkSeen,
    check_link,
    measure_link,
    settings_damaged,
)
from steelyard.bringup.load_channel import LoadChannel, LoadScale
from steelyard.bringup.load_checks import check_load, measure_load
from steelyard.bringup.observation import Observation, wait_for_status, watch
from steelyard.bringup.operator_steps import (
    Operator,
    Request,
    check_move,
    check_push,
    move_request,
    push_request,
    rest_request,
)
from steelyard.bringup.rejoin import lost_link, rejoin
from steelyard.device import Box
from steelyard.errors import DeviceDisconnectedError, DeviceRejectedError, DeviceTimeoutError

REST_SECONDS: Final = 10.0
STATUS_WAIT_SECONDS: Final = 2.5

StepProgress = Callable[[str, float], None]
"""Called with the name of the step and the share of it that is done."""


@dataclass(frozen=True)
class CheckupPlan:
    """What to do and what to compare with.

    ``scales``: newtons by channel, where known.  ``excitation_volts`` is the analogue supply of
    the amplifiers, on which the expected noise depends.
    """

    rest_seconds: float = REST_SECONDS
    excitation_volts: float = 5.0
    scales: Mapping[int, LoadScale] = field(default_factory=dict)
    port_facts: PortFacts | None = None


@dataclass
class Checkup:
    """What came of it.  ``skipped``: steps that were left out, and why."""

    findings: list[Finding] = field(default_factory=list)
    measured: list[Measured] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)

    @property
    def has_faults(self) -> bool:
        """Whether anything found makes measurements worthless."""
        return any(item.severity is Severity.FAULT for item in self.findings)


def run_checkup(
    box: Box,
    plan: CheckupPlan | None = None,
    operator: Operator | None = None,
    progress: StepProgress | None = None,
) -> Checkup:
    """Check a box that has said who it is; without an operator, hands off.

    The machine must be at rest.  The settings check writes to the box's flash, twice.

    Raises:
        DeviceError: the box stopped answering for another reason than a lost link.
    """
    return _Run(box, plan or CheckupPlan(), operator, progress).run()


class _Run:
    def __init__(
        self,
        box: Box,
        plan: CheckupPlan,
        operator: Operator | None,
        progress: StepProgress | None,
    ) -> None:
        self._box = box
        self._plan = plan
        self._operator = operator
        self._progress = progress
        self._result = Checkup()
        self._rest = Observation({})
        self._angle_rates_hz: dict[int, float] = {}

    def run(self) -> Checkup:
        if self._plan.port_facts is not None:
            self._result.findings += check_computer(self._plan.port_facts)
        try:
            lost = self._on_the_box()
        except DeviceDisconnectedError as error:
            lost = str(error)
        if lost:
            self._result.findings.append(lost_link(lost, rejoin(self._box)))
        return self._result

    def _on_the_box(self) -> str:
        """All steps; why the link was lost, or nothing."""
        self._box.stop_stream()
        self._check_settings()
        self._angle_rates_hz = self._read_angle_rates()
        if self._operator is not None:
            self._operator.ready(rest_request(self._plan.rest_seconds))
        before = wait_for_status(self._box, STATUS_WAIT_SECONDS)
        self._box.start_stream()
        self._at_rest(before)
        if self._rest.lost or not self._stopped(self._rest):
            self._result.skipped.append("push test and sweep: the link failed before")
            return self._rest.lost
        return self._with_the_operator()

    def _stopped(self, seen: Observation) -> bool:
        """Stop the stream.  A box that has gone silent cannot: the finding says so."""
        try:
            self._box.stop_stream()
        except DeviceTimeoutError:
            if seen.silent_seconds <= SILENT_SECONDS:
                raise
            return False
        return True

    def _check_settings(self) -> None:
        """Change a harmless setting and change it back: does the flash take it?

        The heartbeat's period, by one millisecond: left over by a power cut it does no harm.
        Why not the same value again: the box does not write what it already has.
        """
        self._check_stored_copies()
        period_ms = self._box.read_setting(SettingKey.STATUS_PERIOD_MS).number
        other_ms = period_ms - 1 if period_ms > 500 else period_ms + 1
        try:
            for value in (other_ms, period_ms):
                self._box.write_setting(SettingKey.STATUS_PERIOD_MS, number=value)
        except DeviceRejectedError as error:
            if error.outcome != Outcome.STORAGE_FAILED:
                raise
            self._result.findings.append(
                Finding(
                    *("settings_not_stored", Severity.FAULT, None, "box"),
                    "the box could not store a setting",
                    "stored and read back",
                    "Its flash is full (other files on the board) or worn out.",
                    "Remove other files from the board, or load the firmware onto an erased board.",
                )
            )

    def _check_stored_copies(self) -> None:
        """Were the settings whole when the box started?  Boxes before 1.2 cannot say."""
        try:
            damaged = self._box.read_setting(SettingKey.DAMAGED_TOTAL).number
        except DeviceRejectedError:
            return
        if damaged:
            self._result.findings.append(settings_damaged(damaged))

    def _read_angle_rates(self) -> dict[int, float]:
        """The rates that the owner has set, which need not be the nominal ones."""
        key = SettingKey.ANGLE_RATE_MILLIHERTZ
        return {
            item.channel: self._box.read_setting(key, item.channel).number / 1000.0
            for item in self._box.channels
            if item.kind != ChannelKind.LOAD
        }

    # --- at rest ------------------------------------------------------------------------------

    def _at_rest(self, before: Status | None) -> None:
        seen = watch(self._box, self._plan.rest_seconds, self._step("at rest"))
        self._rest = seen
        link = LinkSeen(self._box.description.identity, before, seen)
        self._result.findings += check_link(link)
        self._result.measured += measure_link(link)
        for channel in self._box.channels:
            if channel.kind == ChannelKind.LOAD:
                load = self._load(channel, seen)
                self._result.findings += check_load(load)
                self._result.measured += measure_load(load)
            else:
                angle = self._angle(channel, seen)
                self._result.findings += check_angle(angle)
                self._result.measured += measure_angle(angle)

    def _load(self, channel: ChannelDescription, seen: Observation) -> LoadChannel:
        number = channel.channel
        return LoadChannel(
            channel,
            seen.channels[number],
            self._plan.excitation_volts,
            self._plan.scales.get(number),
        )

    def _angle(self, channel: ChannelDescription, seen: Observation) -> AngleChannel:
        number = channel.channel
        return AngleChannel(channel, seen.channels[number], self._angle_rates_hz[number])

    # --- with a person --------------------------------------------------------------------------

    def _with_the_operator(self) -> str:
        """Pushes and sweeps; why the link was lost, or nothing."""
        if self._operator is None:
            self._result.skipped.append("push test and sweep: they need a person at the machine")
            return ""
        first_load = True
        for channel in self._box.channels:
            if channel.kind == ChannelKind.LOAD:
                lost = self._push(channel, is_restraint=not first_load)
                first_load = False
            else:
                lost = self._move(channel)
            if lost:
                return lost
        return ""

    def _push(self, channel: ChannelDescription, *, is_restraint: bool) -> str:
        at_rest = self._rest.channels[channel.channel]
        mean, noise = at_rest.mean_counts(), at_rest.noise_counts()
        if mean is None or noise is None:
            self._result.skipped.append(f"push on channel {channel.channel}: no reading at rest")
            return ""
        seen = self._ask(push_request(channel.channel, is_restraint))
        if seen is None or seen.lost:
            return seen.lost if seen else ""
        self._add(*check_push(self._load(channel, seen), mean, noise))
        return ""

    def _move(self, channel: ChannelDescription) -> str:
        seen = self._ask(move_request(channel.channel, channel.kind == ChannelKind.ARM_ANGLE))
        if seen is None or seen.lost:
            return seen.lost if seen else ""
        self._add(*check_move(self._angle(channel, seen)))
        return ""

    def _add(self, findings: list[Finding], measured: list[Measured]) -> None:
        """Take results in; what was found at rest is not said again."""
        known = {(item.code, item.channel) for item in self._result.findings}
        self._result.findings += [f for f in findings if (f.code, f.channel) not in known]
        self._result.measured += measured

    def _ask(self, request: Request) -> Observation | None:
        """Have something done and watch meanwhile; None when it was left out."""
        if self._operator is None or not self._operator.ready(request):
            self._result.skipped.append(f"{request.kind.value} on channel {request.channel}")
            return None
        # The stream rests while the person reads, so that nothing old or lost is judged.
        self._box.start_stream()
        seen = watch(self._box, request.seconds, self._step(request.kind.value))
        if not seen.lost:
            self._box.stop_stream()
        return seen

    def _step(self, name: str) -> Callable[[float], None] | None:
        if self._progress is None:
            return None
        progress = self._progress
        return lambda share: progress(name, share)
