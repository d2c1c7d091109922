"""Judging the box itself and the link: losses, damage, restarts, memory, heat.

The box does not measure its own supply, so a weak one shows by what it causes: restarts,
amplifiers that restart, noise.  Limits are common practice, no source, but for the RP2040's
temperature range of -20 to 85 °C (its data sheet, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from steelyard_protocol.records import Identity, ResetCause, SampleFlags, Status

from steelyard.bringup.finding import Finding, Measured, Severity
from steelyard.bringup.observation import Observation

HOT_CELSIUS: Final = 70.0
COLD_CELSIUS: Final = 0.0
LEAST_HEAP_BYTES: Final = 20_000
NO_TEMPERATURE: Final = -32768
QUEUE_SHARE: Final = 0.5
HELD_SHARE: Final = 0.9
SILENT_SECONDS: Final = 1.5
"""A status is due every second."""


@dataclass(frozen=True)
class LinkSeen:
    """What is known of box and link: the heartbeat before the stream, and what came in it."""

    identity: Identity
    before: Status | None
    seen: Observation

    @property
    def after(self) -> Status | None:
        """The latest heartbeat, of the same boot if there was no restart."""
        return self.seen.statuses[-1] if self.seen.statuses else self.before

    def rise(self, name: str) -> int:
        """By how much a counter of the heartbeat has risen."""
        if self.before is None or self.after is None:
            return 0
        if self.before.boot_id != self.after.boot_id:
            return 0
        return _total(self.after, name) - _total(self.before, name)


def _total(status: Status, name: str) -> int:
    value: int | tuple[int, ...] = getattr(status, name)
    return sum(value) if isinstance(value, tuple) else value


def settings_damaged(copies: int) -> Finding:
    """How many of the two stored copies of the settings the box found damaged when it started."""
    both = copies > 1
    return _finding(
        "settings_damaged",
        Severity.FAULT if both else Severity.WARNING,
        "box",
        f"{copies} of 2 stored copies of the settings damaged at the last start",
        "none",
        "The power went while a setting was being stored. "
        + (
            "Both copies are gone: the box runs with its defaults."
            if both
            else "The settings before or after that change are in force, whole."
        ),
        "Look the settings up (steelyard show) and set again what is not as it should be; this"
        " check has stored them afresh.",
    )


def check_link(link: LinkSeen) -> list[Finding]:
    """All that is wrong with box and link."""
    return [*_losses(link), *_life(link), *_heartbeat(link), *_button(link)]


def measure_link(link: LinkSeen) -> list[Measured]:
    """The figures of box and link."""
    status = link.after
    found = [
        Measured(None, "link", "corrupt frames", float(link.seen.corrupt_frames), "", "0"),
        Measured(None, "link", "samples missing", float(link.seen.missing), "", "0"),
    ]
    if status is None:
        return found
    found.append(Measured(None, "box", "dropped", float(link.rise("dropped_total")), "", "0"))
    slots = link.identity.queue_slots
    most = float(status.queue_high_water)
    found.append(Measured(None, "box", "queue, at most", most, f"of {slots}", "below half"))
    if status.temperature_centicelsius != NO_TEMPERATURE:
        celsius = status.temperature_centicelsius / 100.0
        found.append(Measured(None, "box", "temperature", celsius, "°C", f"below {HOT_CELSIUS:g}"))
    if status.heap_free_bytes:
        free = float(status.heap_free_bytes)
        found.append(Measured(None, "box", "memory free", free, "bytes", f"{LEAST_HEAP_BYTES}"))
    return found


def _finding(
    code: str,
    severity: Severity,
    subject: str,
    measured: str,
    expected: str,
    cause: str,
    advice: str,
) -> Finding:
    return Finding(code, severity, None, subject, measured, expected, cause, advice)


def _losses(link: LinkSeen) -> Iterator[Finding]:
    seen = link.seen
    if seen.corrupt_frames:
        yield _finding(
            "corrupt_frames",
            Severity.FAULT,
            "link",
            f"{seen.corrupt_frames} damaged frames in {seen.bytes_total} bytes",
            "none: USB checks and repeats by itself",
            "Another program reads or writes the port, or an adapter without checks is in the way.",
            "Close other programs (terminals, modem managers); plug in directly; another cable.",
        )
    dropped = link.rise("dropped_total")
    if dropped:
        stalls = link.rise("link_stalls_total")
        yield _finding(
            "samples_dropped",
            Severity.FAULT,
            "link",
            f"{dropped} samples dropped in the box, {stalls} times no room on the port",
            "none",
            "The computer did not take the data for longer than the box can hold it back (0.6 s).",
            "Close other programs, keep the computer from sleeping, avoid long chains of USB hubs.",
        )
    elif seen.missing and not seen.corrupt_frames:
        yield _finding(
            "samples_missing",
            Severity.FAULT,
            "link",
            f"{seen.missing} samples missing by sequence number, none dropped by the box",
            "none",
            "Data got lost between box and program: another program reads the same port.",
            "Close other programs that use the port; another cable, another socket.",
        )


def _life(link: LinkSeen) -> Iterator[Finding]:
    if link.seen.silent_seconds > SILENT_SECONDS and not link.seen.lost:
        yield _finding(
            "gone_silent",
            Severity.FAULT,
            "link",
            f"nothing came for {link.seen.silent_seconds:.1f} s, up to the end of the check",
            f"something every {SILENT_SECONDS:g} s at the latest",
            "The computer's port is stuck, or the firmware hangs.",
            "Unplug the box, wait two seconds, plug it in again. If it returns: another socket,"
            " another cable, then load the firmware again.",
        )
    if link.seen.reboots:
        yield _finding(
            "restarted",
            Severity.FAULT,
            "box",
            f"the box restarted {link.seen.reboots} times during the check",
            "never",
            "Its supply dips (a hub without enough current, a short in a sensor cable), or the"
            " firmware hangs and the watchdog restarts it.",
            "Plug it straight into the computer; unplug the sensors one by one to find a short.",
        )
    elif link.before is not None and link.before.reset_cause == ResetCause.WATCHDOG:
        yield _finding(
            "watchdog_restart",
            Severity.WARNING,
            "box",
            "the last start of the box was by its watchdog",
            "power on",
            "The firmware hung once before this check.",
            "Note what was done before. Unplug and plug in again; if it returns, report it.",
        )


def _heartbeat(link: LinkSeen) -> Iterator[Finding]:
    status = link.after
    if status is None:
        yield _finding(
            "no_status",
            Severity.FAULT,
            "box",
            "no status message",
            "one a second",
            "The firmware does not run as it should.",
            "Load the firmware again and restart the box.",
        )
        return
    celsius = status.temperature_centicelsius / 100.0
    known = status.temperature_centicelsius != NO_TEMPERATURE
    if known and not COLD_CELSIUS <= celsius <= HOT_CELSIUS:
        yield _finding(
            "temperature",
            Severity.WARNING,
            "box",
            f"{celsius:.1f} °C",
            f"{COLD_CELSIUS:g} to {HOT_CELSIUS:g} °C",
            "The box stands in the sun or on a heater, a short heats the board, or it froze.",
            "Unplug it, feel for a hot part, look for shorts; keep it in the room's shade.",
        )
    if 0 < status.heap_free_bytes < LEAST_HEAP_BYTES:
        yield _finding(
            "memory_low",
            Severity.WARNING,
            "box",
            f"{status.heap_free_bytes} bytes free",
            f"{LEAST_HEAP_BYTES} or more",
            "Other programs are on the board, or memory leaks.",
            "Load the firmware afresh onto an erased board; if it returns, report it.",
        )
    slots = link.identity.queue_slots
    if status.queue_high_water > QUEUE_SHARE * slots and not link.rise("dropped_total"):
        yield _finding(
            "queue_filling",
            Severity.WARNING,
            "link",
            f"up to {status.queue_high_water} of {slots} places for waiting samples taken",
            "less than half",
            "The computer takes the data late: busy, or its USB socket goes to sleep.",
            "Close other programs; switch off power saving of the USB sockets.",
        )
    if garbage := link.rise("garbage_bytes_total"):
        yield _finding(
            "garbage_received",
            Severity.WARNING,
            "link",
            f"{garbage} bytes came to the box that were no request",
            "none",
            "Another program writes to the port, on Linux often ModemManager.",
            "Install the udev rule of hardware/70-steelyard.rules; close terminals.",
        )


def _button(link: LinkSeen) -> Iterator[Finding]:
    for channel in link.seen.channels.values():
        held = channel.flagged(SampleFlags.BUTTON_HELD)
        if held and held > HELD_SHARE * len(channel.flags):
            yield _finding(
                "button_stuck",
                Severity.WARNING,
                "box",
                f"the button counts as pressed in {held} of {len(channel.flags)} samples",
                "not pressed",
                "The button sticks, its wires are shorted, or somebody leans on it.",
                "Let go of it; measure across the button with the box unplugged: open when free.",
            )
            return
