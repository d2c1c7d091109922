"""Judging a bridge amplifier and the cell behind it, at rest.

Rates: nominal 80 is 80 to 94 on real chips, and
10 when the RATE pin is low.  The multiples at which noise is called too much, and all other
limits here, are common practice, no source.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator
from typing import Final

from steelyard_protocol.records import SampleFlags

from steelyard.bringup.finding import Finding, Measured, Severity
from steelyard.bringup.load_channel import LoadChannel
from steelyard.wiring.sensor_choice import FULL_SCALE_COUNTS

LOW_RATE_SHARE: Final = 0.9
HIGH_RATE_SHARE: Final = 1.25
NOISY_TIMES: Final = 3.0
VERY_NOISY_TIMES: Final = 20.0
STUCK_FROM: Final = 8
ZERO_SHARE: Final = 0.2
UNEVEN_SHARE: Final = 0.15
MANY_SHARE: Final = 0.01
TORN_TAIL: Final = 0xFFF


def check_load(channel: LoadChannel) -> list[Finding]:
    """All that is wrong with one load channel at rest."""
    if not channel.seen.times_us:
        return [_no_samples(channel)]
    rate = list(_rate(channel))
    # An amplifier that restarts gives wrong values for a moment: that is not noise.
    noise = [] if any(item.code == "uneven_conversions" for item in rate) else _noise(channel)
    return [
        *_gain(channel),
        *_line_faults(channel),
        *_value_faults(channel),
        *rate,
        *noise,
        *_zero(channel),
    ]


def measure_load(channel: LoadChannel) -> list[Measured]:
    """The figures of one load channel."""
    number, subject, seen = channel.description.channel, channel.subject, channel.seen
    found = []
    if (rate := seen.rate_hz) is not None:
        expected = f"{channel.nominal_hz:g}, up to {1.175 * channel.nominal_hz:.0f}"
        found.append(Measured(number, subject, "rate", rate, "1/s", expected))
    if (noise := seen.noise_counts()) is not None:
        wanted = channel.expected_noise_counts
        found.append(
            Measured(number, subject, "noise", noise, "counts RMS", f"{wanted:.0f} (data sheet)")
        )
        if channel.scale is not None:
            per_newton = abs(channel.scale.counts_per_newton)
            found.append(
                Measured(
                    *(number, subject, "noise", noise / per_newton, "N RMS"),
                    f"{wanted / per_newton:.3g} ({channel.scale.source})",
                )
            )
    if (mean := seen.mean_counts()) is not None:
        found.append(Measured(number, subject, "mean at rest", mean, "counts", "near 0"))
    return found


def _no_samples(channel: LoadChannel) -> Finding:
    return channel.finding(
        "no_samples",
        Severity.FAULT,
        "no sample at all",
        f"{channel.nominal_hz:g} a second",
        "The firmware does not serve this channel.",
        "Load the firmware again and restart the box.",
    )


def _gain(channel: LoadChannel) -> Iterator[Finding]:
    gain, expected = channel.description.gain, channel.expected_gain
    if gain == expected:
        return
    unit = "input B" if gain == 32 else "input A"
    yield channel.finding(
        "wrong_gain",
        Severity.WARNING,
        f"gain {gain} ({unit})",
        f"gain {expected}",
        "The box was set to it (load_gain). Calibrations made at another gain do not count here.",
        f"steelyard setting load_gain {expected} --channel {channel.description.channel} puts it"
        " back; if it is meant, calibrate at this gain.",
    )


def _line_faults(channel: LoadChannel) -> Iterator[Finding]:
    """Faults of the two lines between amplifier and board."""
    seen, total = channel.seen, len(channel.seen.flags)
    missing, desync = seen.flagged(SampleFlags.NO_CONVERSION), seen.flagged(SampleFlags.DESYNC)
    late = seen.flagged(SampleFlags.LATE_READ)
    if held := seen.flagged(SampleFlags.LINE_HELD):
        to_ground = bool(desync)
        yield channel.finding(
            "clock_line_shorted",
            Severity.FAULT,
            f"{held} of {total} samples lost: SCK does not follow the box",
            "none",
            f"SCK is shorted to {'ground' if to_ground else 'the supply'}, in the cable, at the"
            " terminals or inside the amplifier.",
            "Unplug the box. Measure from SCK to"
            f" {'ground' if to_ground else '3.3 V'}: below 100 ohms is the short. Take the"
            " amplifier off: if it stays, it is in the cable or the box.",
        )
        return
    if missing and not channel.rate_pin_is_low:
        yield channel.finding(
            "no_conversion",
            Severity.FAULT,
            f"{missing} of {total} samples without a conversion",
            "none",
            "The amplifier has no supply, or its DOUT wire is broken or held high. (SCK follows.)",
            "Measure the module's supply: 2.6 V or more. Then unplug the box and check DOUT from"
            " end to end with the meter's continuity range: silence is the break.",
        )
    if desync:
        yield channel.finding(
            "desync",
            Severity.FAULT,
            f"{desync} of {total} reads out of step",
            "none",
            "DOUT is shorted to ground, or the SCK wire is broken: from the box the two look alike."
            " A few only: disturbances add clock pulses.",
            "Unplug the box and take the meter. SCK from the box's pin to the module's: no"
            " continuity is the break. DOUT to ground: below 100 ohms is the short. Both sound:"
            " keep the wires below 0.3 m and away from mains and motor cables.",
        )
    if late and not channel.rate_pin_is_low:
        yield channel.finding(
            "late_reads",
            Severity.WARNING,
            f"{late} of {total} conversions read so late that one may be missing",
            "none",
            "The amplifier skipped a conversion, or the microcontroller was busy for more than"
            " 10 ms.",
            "100 nF at the module's supply. If it is many: load the firmware again; another program"
            " on the board takes its time.",
        )


def _value_faults(channel: LoadChannel) -> Iterator[Finding]:
    """Values that cannot be forces."""
    seen, total = channel.seen, len(channel.seen.flags)
    for flag, code, end in (
        (SampleFlags.SATURATED_HIGH, "saturated_high", "top"),
        (SampleFlags.SATURATED_LOW, "saturated_low", "bottom"),
    ):
        if count := seen.flagged(flag):
            yield channel.finding(
                code,
                Severity.FAULT,
                f"{count} of {total} samples at the {end} of the converter's range",
                "none at rest",
                "A signal or excitation wire of the bridge is broken or unplugged, excitation and"
                " signal are exchanged, or the cell is bent.",
                "Unplug the cell and measure its six resistances: steelyard bridge says what is"
                " wrong. Then check the plug and the amplifier's screw terminals.",
            )
    torn, pulses = _suspects(channel)
    if pulses:
        yield channel.finding(
            "extra_clock_pulses",
            Severity.FAULT if pulses > MANY_SHARE * total else Severity.WARNING,
            f"{pulses} of {total} conversions of the other input: a pulse too many on SCK",
            "none",
            "Disturbances on SCK between two readings. (Where the load is below 65,536 counts"
            " they go unseen.)",
            "100 to 330 ohms in SCK at the box, a ground wire beside it, shorter wires, away from"
            " mains and motor cables.",
        )
    if torn:
        yield channel.finding(
            "torn_reads",
            Severity.FAULT if torn > MANY_SHARE * total else Severity.WARNING,
            f"{torn} of {total} conversions look torn (2^k - 1)",
            "none",
            "Disturbances on DOUT or SCK in mid-read, often from long wires or a weak ground.",
            "Shorten DOUT and SCK, lay a ground wire beside them, 100 nF at the module's supply.",
        )
    saturated = seen.flagged(SampleFlags.SATURATED_HIGH | SampleFlags.SATURATED_LOW)
    if (overload := seen.flagged(SampleFlags.OVERLOAD)) > saturated:
        yield channel.finding(
            "overload",
            Severity.WARNING,
            f"{overload} of {total} samples beyond the overload limit",
            "none at rest",
            "The cell is loaded now, or was bent by an overload before.",
            "Take all load off; if it stays, the cell is damaged: replace it.",
        )
    yield from _stuck(channel)


def _suspects(channel: LoadChannel) -> tuple[int, int]:
    """Suspect samples that look torn (twelve ones at their end), and the others."""
    words = [
        counts
        for counts, flags in zip(channel.seen.counts, channel.seen.flags, strict=True)
        if flags & SampleFlags.SUSPECT
    ]
    torn = sum(1 for word in words if word & TORN_TAIL == TORN_TAIL)
    return torn, len(words) - torn


def _stuck(channel: LoadChannel) -> Iterator[Finding]:
    values = [counts for _, counts in channel.seen.sound()]
    if len(values) >= STUCK_FROM and min(values) == max(values):
        yield channel.finding(
            "stuck",
            Severity.FAULT,
            f"{len(values)} conversions, all of them {values[0]} counts",
            f"noise of about {channel.expected_noise_counts:.0f} counts RMS",
            "No live amplifier is that quiet: DOUT carries a fixed pattern, or both inputs are"
            " shorted together outside the amplifier's range.",
            "Check the wiring of this amplifier; exchange it for the other one to see whether the"
            " fault goes with it.",
        )


def _rate(channel: LoadChannel) -> Iterator[Finding]:
    seen, nominal = channel.seen, channel.nominal_hz
    rate = seen.rate_hz
    if rate is None:
        return
    if channel.rate_pin_is_low:
        yield channel.finding(
            "rate_pin_low",
            Severity.FAULT,
            f"{1e6 / statistics.median(seen.intervals_us):.1f} conversions a second",
            f"{nominal:g} to {1.175 * nominal:.0f} a second",
            "The amplifier's RATE pin is low: many modules tie it to ground.",
            "Lift the RATE pin from ground and join it to the module's digital supply.",
        )
        return
    if seen.flagged(SampleFlags.NO_CONVERSION | SampleFlags.DESYNC):
        return  # the rate says nothing then
    if not LOW_RATE_SHARE * nominal <= rate <= HIGH_RATE_SHARE * nominal:
        yield channel.finding(
            "wrong_rate",
            Severity.WARNING,
            f"{rate:.2f} conversions a second",
            f"{LOW_RATE_SHARE * nominal:.0f} to {HIGH_RATE_SHARE * nominal:.0f} a second",
            "The chip's own clock is off, or conversions are lost.",
            "Another module; times stay right, as each conversion is stamped by itself.",
        )
    yield from _uneven(channel)


def _uneven(channel: LoadChannel) -> Iterator[Finding]:
    """One interval unlike the others: the chip started its conversions anew in between."""
    intervals = channel.seen.intervals_us
    if len(intervals) < STUCK_FROM or channel.seen.flagged(SampleFlags.LATE_READ):
        return
    usual = statistics.median(intervals)
    odd = [value for value in intervals if abs(value - usual) > UNEVEN_SHARE * usual]
    if odd:
        worst = max(odd, key=lambda value: abs(value - usual))
        yield channel.finding(
            "uneven_conversions",
            Severity.WARNING,
            f"{len(odd)} odd intervals, the worst {worst / 1000:.2f} ms",
            f"{usual / 1000:.2f} ms each",
            "The amplifier restarted by itself: its supply dips, or SCK picks up a pulse.",
            "100 nF and 10 µF at the module's supply, a firm ground, short wires.",
        )


def _noise(channel: LoadChannel) -> Iterator[Finding]:
    noise = channel.seen.noise_counts()
    expected = channel.expected_noise_counts
    broken = SampleFlags.SATURATED_HIGH | SampleFlags.SATURATED_LOW | SampleFlags.DESYNC
    if noise is None or noise <= NOISY_TIMES * expected or channel.seen.flagged(broken):
        return
    yield channel.finding(
        "noisy",
        Severity.FAULT if noise > VERY_NOISY_TIMES * expected else Severity.WARNING,
        f"{channel.in_newtons(noise)} RMS",
        f"{channel.in_newtons(expected)} RMS: the amplifier alone, by its data sheet",
        "The machine moved during the check, the shield is not grounded, a bridge wire is loose or"
        " unplugged, or the supply is noisy.",
        "Repeat with nobody near the machine. Ground the shield at the box end only; keep the cable"
        " away from mains and chargers; tighten the terminals.",
    )


def _zero(channel: LoadChannel) -> Iterator[Finding]:
    mean = channel.seen.mean_counts()
    if mean is None or abs(mean) <= ZERO_SHARE * FULL_SCALE_COUNTS:
        return
    yield channel.finding(
        "zero_far_off",
        Severity.WARNING,
        f"{channel.in_newtons(mean)} at rest, {abs(mean) / FULL_SCALE_COUNTS:.0%} of the range",
        f"within {ZERO_SHARE:.0%} of the range",
        "The cell is loaded at rest, bent, mounted under strain, or one arm of the bridge is bad.",
        "Take all load off. If it stays, loosen the mounting bolts and look again; then"
        " steelyard bridge.",
    )
