"""Weights hung one after the other, led by the server: one state that every page shows.

Nothing is judged before every reading is taken, and a refusal leaves the
calibration in force as it was.  What is put in force is told to the process
that holds the box at once; if that cannot be reached, it reads the folder when
it is back, and can be told again.  A calibration is kept on disk reading by reading,
so that one that broke off with the server can be gone on with.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from steelyard_protocol.records import LoadSample, SampleFlags

from steelyard.calibration import AngleCalibration, Binding, GuidedRun, LoadPoint, Phase
from steelyard.calibration.check_log import JudgedCheck, latest_check, log_check
from steelyard.calibration.history import History
from steelyard.calibration.quantity import LoadCalibration
from steelyard.calibration.replacing import (
    BenchReadings,
    Replaced,
    keep_readings,
    replace_calibration,
)
from steelyard.errors import ActionRefusedError, CalibrationError, SteelyardError
from steelyard.screen.hanging import broken_off
from steelyard.screen.hanging.broken_off import BrokenOff
from steelyard.screen.hanging.in_force import InForce, now_text
from steelyard.screen.hanging.weight_orders import Purpose, WeightOrder
from steelyard.screen.visit.coach import Coach

Use = Callable[[list[str]], Awaitable[None]]


@dataclass
class WeightJob:
    """What is being done: the order, the run that leads through it, and what came of it.

    ``earlier``: readings from before it broke off.
    """

    order: WeightOrder
    binding: Binding
    by: str
    run: GuidedRun
    begun_at: str
    earlier: tuple[LoadPoint, ...] = ()
    outage: str = ""
    judging: bool = False
    refusal: str = ""
    kept: Path | None = None
    check: JudgedCheck | None = None
    replaced: Replaced | None = None
    bench: BenchReadings | None = None

    @property
    def points(self) -> tuple[LoadPoint, ...]:
        """All readings so far, exercises left out, in the order taken."""
        return (*self.earlier, *self.run.points())

    @property
    def is_measuring(self) -> bool:
        """Whether samples are wanted now."""
        return self.run.progress.phase is Phase.MEASURING

    @property
    def is_over(self) -> bool:
        """Whether nothing of it is left to be done."""
        return not self.judging and (self.check is not None or self.replaced is not None)


@dataclass
class WeightDesk:
    """One job at a time, for the load channel.

    ``folder`` keeps a calibration that is under way; ``metadata`` is what the box has said of
    itself; ``busy`` says why no weights may be hung now (empty: they may); ``use`` gives
    calibrations, as texts, to the process that holds the box; ``coach`` hangs the weights on a
    virtual machine.
    """

    in_force: InForce
    folder: Path
    channel: int
    metadata: Callable[[], Mapping[str, Any]]
    use: Use
    busy: Callable[[], str]
    coach: Coach | None = None
    by_itself: bool = True
    """In a rehearsal: the virtual technician hangs what is asked without being told."""
    job: WeightJob | None = None
    typed: dict[Purpose, dict[str, str]] = field(default_factory=dict)
    """What was typed into the forms; so a reload or a second tab shows it."""
    untold: str = ""
    broken: BrokenOff | None = None
    """A calibration that an earlier run of the server did not end."""
    trouble: str = ""
    """Why what is under way cannot be kept, or what was kept cannot be read."""
    changes_total: int = 0
    _judging: asyncio.Task[None] | None = None

    # --- what stands --------------------------------------------------------------------------

    def calibration(self) -> LoadCalibration | None:
        """The one in force for the load channel.  Raises CalibrationFileError."""
        found = self.in_force.register(self.channel).in_force()
        return None if isinstance(found, AngleCalibration) else found

    def history(self) -> History:
        """What happened to it so far.  Raises CalibrationFileError."""
        return self.in_force.register(self.channel).history()

    def last_check(self) -> JudgedCheck | None:
        """The latest check of the calibration in force.  Raises CalibrationFileError."""
        calibration = self.calibration()
        return None if calibration is None else latest_check(self.history(), calibration)

    def binding(self) -> Binding:
        """The load channel as it is now.  Raises ActionRefusedError before the box has spoken."""
        said = self.metadata()
        for one in said.get("channels", ()):
            if one["channel"] == self.channel:
                box = said["box"]
                return Binding(
                    box["box_id"],
                    self.channel,
                    one["sensor_serial"],
                    one["gain"],
                    firmware=box["firmware_version"],
                )
        raise ActionRefusedError("The box has not said yet what it is.", "Plug it in and wait.")

    @property
    def box_id(self) -> str:
        """The box that is there; empty until it has said so."""
        return str(self.metadata().get("box", {}).get("box_id", ""))

    @property
    def going_on(self) -> bool:
        """Whether weights hang or are about to."""
        return self.job is not None and not self.job.is_over and not self.job.refusal

    # --- the operator ---------------------------------------------------------------------------

    def begin(self, order: WeightOrder, by: str) -> None:
        """Begin.  Raises ActionRefusedError, and WrongBoxError for a check of another sensor."""
        binding = self._may_begin(by)
        if order.purpose is Purpose.CHECK:
            self._required().binding.require(binding)
        else:
            self.broken = None
        self.job = WeightJob(order, binding, by, GuidedRun(order.plan), now_text())
        self._keep()
        self._changed()

    def go_on(self, by: str) -> None:
        """Go on with the calibration that broke off.

        Raises ActionRefusedError, and WrongBoxError when it is of another box or sensor.
        """
        broken, binding = self.broken, self._may_begin(by)
        if broken is None:
            raise ActionRefusedError("No calibration broke off.", "Begin one.")
        broken.binding.require(binding)
        run, by = GuidedRun(broken.left), broken.by if by == broken.by else f"{broken.by}, {by}"
        self.job = WeightJob(
            broken.order, binding, by, run, broken.begun_at, earlier=broken.counting
        )
        self.broken = None
        if run.finished:
            self._judge(self.job)
        else:
            self._changed()

    def throw_away(self) -> None:
        """Forget the calibration that broke off; what was typed for it stays in the form."""
        self.broken = None
        self._forget()
        self.changes_total += 1

    def take_up(self) -> None:
        """Look for a calibration that an earlier run of the server left."""
        try:
            self.broken = broken_off.kept_in(self.folder)
        except CalibrationError as error:
            self.trouble = str(error)
        if self.broken is not None:
            self.typed[Purpose.CALIBRATION] = dict(self.broken.typed)

    def loaded(self) -> None:
        """The load hangs: read it.  Raises ActionRefusedError."""
        job = self._going()
        self._require_free()
        job.run.loaded()
        self.changes_total += 1

    def back(self) -> None:
        """Take the last accepted reading again.  Raises ActionRefusedError."""
        self._going().run.back()
        self._keep()
        self._changed()

    def give_up(self) -> None:
        """End it; nothing is changed.  Also puts a result or a refusal away."""
        if self.job is not None and self.job.order.purpose is Purpose.CALIBRATION:
            self._forget()
        self.job = None
        self.changes_total += 1
        if self.coach is not None:
            self.coach.seat()

    def hang_instead(self, mass_kg: float) -> None:
        """In a rehearsal: the virtual technician hangs this, whatever is asked."""
        if self.coach is not None and self.job is not None:
            self.coach.hang(mass_kg, self.job.order.arm)

    def judge_again(self, no_as_found: str) -> None:
        """Judge refused readings without holding them against the old one, and why.

        Raises ActionRefusedError when there are none, or no reason.
        """
        job = self.job
        if job is None or not job.refusal or job.bench is None:
            raise ActionRefusedError("No readings were refused.", "Take them first.")
        if not no_as_found.strip():
            raise ActionRefusedError("No reason was given.", "Say why the old one cannot be read.")
        self._judge(job, no_as_found.strip())

    async def tell(self) -> None:
        """Give what is in force to the process that holds the box."""
        try:
            texts = [one.to_json() for one in self.in_force.by_channel().values()]
            await self.use(texts)
        except SteelyardError as error:
            self.untold = f"The recorder has not taken the new calibration: {error}"
        else:
            self.untold = ""
        self.changes_total += 1

    # --- from the stream --------------------------------------------------------------------------

    def feed(self, records: Sequence[object], at_seconds: float) -> None:
        """Take decoded records."""
        del at_seconds
        job = self.job
        if job is None or not job.is_measuring:
            return
        job.outage = ""
        for record in records:
            # The converter says itself that settling samples come too early after a start.
            if (
                isinstance(record, LoadSample)
                and record.channel == self.channel
                and not record.flags & SampleFlags.SETTLING
                and job.is_measuring
            ):
                job.run.feed(record.load_counts, record.device_ticks_us, record.flags)
        phase = job.run.progress.phase
        if phase in (Phase.FINISHED, Phase.OPERATOR):
            self._keep()
        if phase is Phase.FINISHED:
            self._judge(job)
        elif phase is not Phase.MEASURING:
            self._changed(hang=phase is Phase.OPERATOR)

    def lose_link(self, because: str) -> None:
        """No records come: what was seen of this load is forgotten, what was taken is kept."""
        job = self.job
        if job is not None and job.is_measuring:
            job.outage = because
            job.run.loaded()

    # --- inside -----------------------------------------------------------------------------------

    def _changed(self, hang: bool = True) -> None:
        self.changes_total += 1
        job = self.job
        step = job.run.current if job is not None else None
        if hang and self.by_itself and self.coach is not None and job is not None and step:
            self.coach.hang(step.mass_kg, job.order.arm)

    def _may_begin(self, by: str) -> Binding:
        if not by:
            raise ActionRefusedError("Nobody is signed on.", "Sign on first, on the page Today.")
        if self.going_on:
            raise ActionRefusedError("Weights hang already.", "Finish that or give it up.")
        self._require_free()
        return self.binding()

    def _keep(self) -> None:
        """Write the calibration down as far as it has come."""
        job = self.job
        if job is None or job.order.purpose is not Purpose.CALIBRATION:
            return
        typed = self.typed.get(Purpose.CALIBRATION, {})
        whole = BrokenOff(job.order, job.binding, job.by, job.begun_at, job.points, typed)
        try:
            broken_off.keep(whole, self.folder)
            self.trouble = ""
        except OSError as error:
            self.trouble = (
                f"What is read cannot be kept in {self.folder} ({error.strerror or error}): it is "
                "lost if the server stops before the end."
            )

    def _forget(self) -> None:
        with suppress(OSError):  # at worst it is offered once more
            broken_off.forget(self.folder)

    def _require_free(self) -> None:
        because = self.busy()
        if because:
            raise ActionRefusedError(because, "Weights and clients never go together.")

    def _going(self) -> WeightJob:
        if self.job is None or not self.going_on:
            raise ActionRefusedError("No weights are being hung.", "Begin a check or calibration.")
        return self.job

    def _required(self) -> LoadCalibration:
        found = self.calibration()
        if found is None:
            raise CalibrationError("No calibration is in force.", "Calibrate first.")
        return found

    def _judge(self, job: WeightJob, no_as_found: str = "") -> None:
        """All is read: judge it aside, for this may take longer than a beat of the live data."""
        job.judging, job.refusal = True, ""
        self.changes_total += 1
        self._judging = asyncio.ensure_future(self._judged(job, no_as_found))

    async def _judged(self, job: WeightJob, no_as_found: str) -> None:
        try:
            await asyncio.to_thread(self._work_out, job, no_as_found)
        except SteelyardError as error:
            job.refusal = str(error)
        else:
            if job.replaced is not None:
                self._forget()
                await self.tell()
        job.judging = False
        self.changes_total += 1
        if self.coach is not None:
            self.coach.seat()

    def _work_out(self, job: WeightJob, no_as_found: str) -> None:
        order, now = job.order, now_text()
        register = self.in_force.register(self.channel)
        conditions = replace(order.conditions, taken_at=now, operator=job.by)
        points = job.points
        if order.purpose is Purpose.CHECK:
            calibration = self._required()
            job.check = log_check(register, calibration, points, conditions, order.weights)
            return
        if job.bench is None:
            job.bench = BenchReadings(
                job.binding, points, conditions, order.weights, order.arm, job.run.creep()
            )
            job.kept = keep_readings(job.bench, self.in_force.folder)
        job.replaced = replace_calibration(register, job.bench, now, no_as_found=no_as_found)


def counts_now(job: WeightJob) -> float | None:
    """The mean that the reading now going on has come to; None while there is none."""
    verdict = job.run.progress.verdict
    if verdict is None or math.isnan(verdict.counts_mean):
        return None
    return verdict.counts_mean
