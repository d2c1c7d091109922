"""Readings taken at the bench: leading the operator, and watching until a load hangs still."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import click
from steelyard_protocol.decoder import Message
from steelyard_protocol.records import ChannelDescription, ChannelKind, LoadSample, SampleFlags

from steelyard.calibration import (
    Binding,
    CreepTest,
    GuidedRun,
    LoadPoint,
    Phase,
    RunStep,
    StabilityLimits,
)
from steelyard.calibration.run_plan import CAUTION
from steelyard.cli.boxes import binding_of
from steelyard.cli.words import StatusLine
from steelyard.device import Box
from steelyard.errors import CalibrationError, DeviceNotFoundError, WrongBoxError


def now_text() -> str:
    """This moment as ISO 8601, UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def channel_of(
    channels: Sequence[ChannelDescription], kinds: Sequence[ChannelKind], wanted: int | None
) -> ChannelDescription:
    """The channel wanted, or the first of these kinds.

    Raises:
        DeviceNotFoundError: the box has no such channel.
    """
    found = [item for item in channels if item.kind in kinds]
    for item in found:
        if wanted is None or item.channel == wanted:
            return item
    numbers = ", ".join(str(item.channel) for item in found) or "none"
    name = kinds[0].name.split("_")[-1].lower()
    raise DeviceNotFoundError(
        f"The box has no {name} channel {'' if wanted is None else wanted} (it has: {numbers}).",
        "Choose one of those with --channel.",
    )


def present_binding(port: str, channel: int | None) -> Binding:
    """The binding of a load channel of the box at a port."""
    with Box.open(port) as box:
        return binding_of(box.description, channel_of(box.channels, [ChannelKind.LOAD], channel))


def require_same_channel(read: Binding, meant: Binding) -> None:
    """Raise WrongBoxError unless the readings are of the channel meant."""
    try:
        read.require(meant)
    except WrongBoxError as error:
        raise WrongBoxError(
            error.what.replace("This calibration was made for", "The readings were taken of"),
            "Use the readings of this box and sensor, or take them anew.",
        ) from error


@dataclass(frozen=True)
class Taken:
    """What a guided run took, and of which channel."""

    binding: Binding
    points: tuple[LoadPoint, ...]
    creep: CreepTest | None


def warn_of_unnamed_sensor(binding: Binding) -> None:
    """Say it before an hour is spent: a swapped sensor is noticed by its serial number only."""
    if binding.unnamed_sensor:
        click.echo(f"WARNING: {binding.unnamed_sensor}", err=True)


def guided(
    port: str,
    channel: int | None,
    plan: Sequence[RunStep],
    *,
    of: Binding | None = None,
    broke_off: Callable[[Taken], None] | None = None,
) -> Taken:
    """Lead the operator through the steps; Ctrl-C changes no calibration.

    ``of``: the channel that earlier readings are of; another one is refused.
    ``broke_off`` gets what was read when it ends early, by Ctrl-C, a pulled cable, or "q".
    """
    with Box.open(port) as box:
        described = channel_of(box.channels, [ChannelKind.LOAD], channel)
        binding = binding_of(box.description, described)
        if of is not None:
            require_same_channel(of, binding)
        warn_of_unnamed_sensor(binding)
        click.echo(CAUTION)
        click.echo(
            f"{len(plan)} steps. Do what a step asks, then press Enter: it is read once it hangs "
            "still. b and Enter: back one step; q and Enter: give up."
        )
        run = GuidedRun(plan, StabilityLimits())
        box.start_stream()
        try:
            _lead(box, run, described.channel)
        except BaseException:
            if broke_off is not None and run.points():
                broke_off(Taken(binding, run.points(), run.creep()))
            raise
        finally:
            box.stop_stream()
    return Taken(binding, run.points(), run.creep())


def _lead(box: Box, run: GuidedRun, channel: int) -> None:
    while not run.finished:
        progress = run.progress
        if progress.phase is Phase.REFUSED and run.current is not None:
            click.echo(f"    {progress.text}")
            asked = f"Once more: {run.current.text}"
        else:
            asked = progress.text
        answer = click.prompt(
            f"[{progress.steps_done + 1}/{progress.steps_total}] {asked}",
            default="",
            show_default=False,
            prompt_suffix=" ",
        )
        if answer.strip().lower() == "q":
            raise CalibrationError(
                f"Given up after {progress.steps_done} of {progress.steps_total} steps.",
                "Nothing was changed; an older calibration stays in force.",
            )
        if answer.strip().lower() == "b":
            run.back()
            continue
        box.poll(0.0)  # what came while the operator was busy
        run.loaded()
        _measure(box, run, channel)


def _measure(box: Box, run: GuidedRun, channel: int) -> None:
    line = StatusLine()
    step = run.current
    while run.progress.phase is Phase.MEASURING:
        for event in box.poll(0.1).events:
            record = event.record if isinstance(event, Message) else None
            if (
                isinstance(record, LoadSample)
                and record.channel == channel
                # The converter says itself that these come too early after a start.
                and not record.flags & SampleFlags.SETTLING
            ):
                run.feed(record.load_counts, record.device_ticks_us, record.flags)
        verdict = run.progress.verdict
        if verdict is not None and run.progress.phase is Phase.MEASURING:
            known = not math.isnan(verdict.counts_mean)
            counts = f"{verdict.counts_mean:.0f} counts, " if known else ""
            line.show(f"    {counts}{run.progress.text}")
    line.clear()
    if run.progress.phase is not Phase.REFUSED and step is not None:
        verdict = run.progress.verdict
        if verdict is not None:
            click.echo(
                f"    taken: {verdict.counts_mean:.1f} counts "
                f"(standard error {verdict.counts_standard_error:.1f})"
            )
