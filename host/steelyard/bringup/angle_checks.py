"""Judging an angle sensor.

AS5600 figures are those of its data sheet (ams, v1-06): noise 0.015° RMS with its slowest
filter, the automatic gain best in the middle of its range, which is 0 to 128 at 3.3 V.  Other
limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from steelyard_protocol.records import ChannelKind, SampleFlags, SensorKind

from steelyard.bringup.finding import Finding, Measured, Severity
from steelyard.bringup.observed_channel import ObservedChannel
from steelyard.device.encoder_zero import INDEX_ASTRAY, INDEX_SEEN, forgets_zero

GAIN_RANGE_AT_3V3: Final = 128
GAIN_EDGE_SHARE: Final = 0.1
RATE_SHARE: Final = 0.05
UNSTEADY_DEGREES: Final = 0.5
JUMP_DEGREES: Final = 20.0
JUMP_WITHIN_US: Final = 20_000


@dataclass(frozen=True)
class AngleChannel(ObservedChannel):
    """One angle channel with what was seen of it; ``rate_hz`` is the rate that is set."""

    rate_hz: float

    @property
    def subject(self) -> str:
        """Name for people."""
        kind = "arm" if self.description.kind == ChannelKind.ARM_ANGLE else "roller"
        return f"channel {self.description.channel} ({kind} angle)"

    @property
    def degrees_per_count(self) -> float:
        """Nominal; the calibration knows better."""
        return 360.0 / max(1, self.description.counts_per_turn)

    def steps(self) -> list[tuple[int, float]]:
        """(us, degrees) from each sound sample to the next, the short way round."""
        turn = self.description.counts_per_turn
        wraps = self.description.sensor == SensorKind.AS5600 and turn > 0
        found = []
        rows = self.seen.sound()
        for (t0, c0), (t1, c1) in pairwise(rows):
            step = c1 - c0
            if wraps:
                step = (step + turn // 2) % turn - turn // 2
            found.append((t1 - t0, step * self.degrees_per_count))
        return found


@dataclass(frozen=True)
class _FlagFinding:
    flag: SampleFlags
    code: str
    words: str
    cause: str
    advice: str
    without: int = 0
    """Samples with one of these are another finding's."""


_FLAG_FINDINGS: Final = (
    _FlagFinding(
        SampleFlags.BUS_ERROR,
        "bus_error",
        "without an answer from the sensor",
        "The sensor does not answer, though nothing holds the bus: no supply, SDA and SCL"
        " exchanged, a wire broken, or a cable too long.",
        "Measure 3.3 V at the module; check SDA and SCL from end to end against"
        " hardware/WIRING.md; shorten the cable to less than 0.5 m.",
        without=SampleFlags.LINE_HELD,
    ),
    _FlagFinding(
        SampleFlags.LINE_HELD,
        "bus_held",
        "with SDA or SCL held low",
        "A line of the bus is shorted to ground, has no pull-up, or a part hangs in mid-byte"
        " (nine clock pulses did not free it).",
        "Take the sensor module off: if the finding turns into one without an answer, the module"
        " holds the line: cut its supply, then exchange it. Else unplug the box and measure SDA"
        " and SCL to ground: below 100 ohms is a short in the cable.",
    ),
    _FlagFinding(
        SampleFlags.MAGNET_MISSING,
        "magnet_missing",
        "with no magnet seen",
        "The magnet fell off, is of the wrong kind (it must be magnetised across its diameter), or"
        " is far too far away.",
        "Fix a diametric magnet to the end of the shaft, centred over the chip, 0.5 to 3 mm away.",
    ),
    _FlagFinding(
        SampleFlags.MAGNET_WEAK,
        "magnet_weak",
        "with the magnet's field too weak",
        "The magnet is too far from the chip, too small or off centre.",
        "Bring it nearer, in steps of half a millimetre, until the gain is in its middle.",
    ),
    _FlagFinding(
        SampleFlags.MAGNET_STRONG,
        "magnet_strong",
        "with the magnet's field too strong",
        "The magnet is too near or too large.",
        "Move it away, in steps of half a millimetre, until the gain is in its middle.",
    ),
    _FlagFinding(
        SampleFlags.OPEN_CIRCUIT,
        "open_circuit",
        "at the very end of the converter's range",
        "The wiper's wire, or a wire to one end of the track, is broken, or the wiper has lifted.",
        "Unplug it and measure its three resistances: steelyard wiper says what is broken.",
    ),
)


def check_angle(channel: AngleChannel) -> list[Finding]:
    """All that is wrong with one angle channel at rest."""
    seen = channel.seen
    if not seen.times_us:
        return [
            channel.finding(
                "no_samples",
                Severity.FAULT,
                "no sample at all",
                f"{channel.rate_hz:g} a second",
                "The firmware does not serve this channel.",
                "Load the firmware again and restart the box.",
            )
        ]
    return [
        *check_angle_flags(channel),
        *_encoder_zero(channel),
        *_rate(channel),
        *_gain(channel),
        *_steadiness(channel),
    ]


def check_angle_flags(channel: AngleChannel) -> list[Finding]:
    """What the samples themselves complain about, at rest or in motion."""
    total = len(channel.seen.flags)
    found = [
        channel.finding(
            item.code,
            Severity.FAULT,
            f"{count} of {total} readings {item.words}",
            "none",
            item.cause,
            item.advice,
        )
        for item in _FLAG_FINDINGS
        if (count := channel.seen.flagged(item.flag, item.without))
    ]
    if channel.seen.invalid_transitions:
        found.append(
            channel.finding(
                "invalid_transitions",
                Severity.WARNING,
                f"{channel.seen.invalid_transitions} impossible steps of the encoder's lines",
                "none",
                "A line of the encoder is loose or disturbed, or it turns faster than it can.",
                "Check both lines and the ground between them; use the shielded cable.",
            )
        )
    return [*found, *_jumps(channel)]


def measure_angle(channel: AngleChannel) -> list[Measured]:
    """The figures of one angle channel."""
    number, subject, seen = channel.description.channel, channel.subject, channel.seen
    found = []
    if (rate := seen.rate_hz) is not None:
        found.append(Measured(number, subject, "rate", rate, "1/s", f"{channel.rate_hz:g}"))
    if (noise := seen.noise_counts()) is not None:
        degrees = noise * channel.degrees_per_count
        found.append(
            Measured(number, subject, "noise", degrees, "° RMS", f"below {UNSTEADY_DEGREES:g}")
        )
    if channel.description.sensor == SensorKind.AS5600 and seen.sensor_gains:
        expected = f"about {GAIN_RANGE_AT_3V3 // 2} (data sheet: middle of 0 to 128 at 3.3 V)"
        gain = float(seen.sensor_gains[-1])
        found.append(Measured(number, subject, "magnet gain", gain, "", expected))
    return found


def _rate(channel: AngleChannel) -> Iterator[Finding]:
    rate = channel.seen.rate_hz
    if rate is not None and abs(rate - channel.rate_hz) > RATE_SHARE * channel.rate_hz:
        yield channel.finding(
            "wrong_rate",
            Severity.WARNING,
            f"{rate:.2f} readings a second",
            f"{channel.rate_hz:g} ± {RATE_SHARE:.0%}",
            "Reading the sensor takes too long: a bus that fails or is stuck.",
            "Put the other findings of this channel right first.",
        )


def _gain(channel: AngleChannel) -> Iterator[Finding]:
    bad = SampleFlags.MAGNET_MISSING | SampleFlags.MAGNET_WEAK | SampleFlags.MAGNET_STRONG
    gains = channel.seen.sensor_gains
    if channel.description.sensor != SensorKind.AS5600 or not gains:
        return
    if channel.seen.flagged(bad | SampleFlags.BUS_ERROR):
        return
    edge = GAIN_EDGE_SHARE * GAIN_RANGE_AT_3V3
    if edge <= gains[-1] <= GAIN_RANGE_AT_3V3 - edge:
        return
    near = gains[-1] < edge
    yield channel.finding(
        "magnet_gain_at_edge",
        Severity.WARNING,
        f"automatic gain {gains[-1]}",
        f"about {GAIN_RANGE_AT_3V3 // 2}, the middle of 0 to {GAIN_RANGE_AT_3V3}",
        f"The magnet is a little too {'near' if near else 'far'} (or the chip runs on 5 V, where"
        " the range is 0 to 255).",
        f"Move it {'away' if near else 'nearer'} by half a millimetre.",
    )


def _encoder_zero(channel: AngleChannel) -> Iterator[Finding]:
    if not forgets_zero(channel.description):
        return
    if channel.seen.sensor_status & INDEX_ASTRAY:
        yield channel.finding(
            "index_astray",
            Severity.FAULT,
            "the index passed elsewhere than after whole turns",
            f"every {channel.description.counts_per_turn} counts",
            "Counts were lost, the index line is disturbed, or ENCODER_COUNTS_PER_TURN in board.py"
            " is not four times the encoder's lines.",
            "Check the lines and the ground between them, and the number of lines on its plate;"
            " then restart the box.",
        )
    elif not channel.seen.sensor_status & INDEX_SEEN:
        yield channel.finding(
            "encoder_zero_unknown",
            Severity.WARNING,
            "no index has passed since the box started",
            "an index, before the angle is trusted",
            "An incremental encoder counts from where it stood when the box started: the offset of"
            " its calibration does not hold until its index has passed.",
            "With an index line, turn it until the index has passed. Without one, restart the box"
            " with the encoder in its reference position, each time (hardware/MOUNTING.md).",
        )


def _steadiness(channel: AngleChannel) -> Iterator[Finding]:
    noise = channel.seen.noise_counts()
    if noise is None or noise * channel.degrees_per_count <= UNSTEADY_DEGREES:
        return
    yield channel.finding(
        "angle_unsteady",
        Severity.WARNING,
        f"{noise * channel.degrees_per_count:.2f}° RMS at rest",
        f"below {UNSTEADY_DEGREES:g}°",
        "The arm moved during the check, the magnet or wiper is loose, or the supply is noisy.",
        "Lock the arm and repeat; then look for play between shaft and sensor.",
    )


def _jumps(channel: AngleChannel) -> Iterator[Finding]:
    jumps = [
        degrees
        for step_us, degrees in channel.steps()
        if abs(degrees) > JUMP_DEGREES and step_us <= max(JUMP_WITHIN_US, 1.5e6 / channel.rate_hz)
    ]
    if jumps:
        worst = max(jumps, key=abs)
        yield channel.finding(
            "angle_jump",
            Severity.FAULT,
            f"{len(jumps)} jumps from one reading to the next, the worst {worst:+.0f}°",
            f"at most {JUMP_DEGREES:g}°",
            "The coupling slips, the track is worn at one place, or its end was passed.",
            "Turn slowly and watch (steelyard watch): the same place each time is a worn track or"
            " its end, different places are a slipping coupling or a loose wire.",
        )
