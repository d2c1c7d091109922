"""Samples as JSON.

Written by hand into text: at 60,000 samples a second (two hundred boxes on one
machine) the general encoder would be half of all the work.  A test reads every
form back with the general decoder and holds it against the schema.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import AngleSample, LoadSample
from steelyard_protocol.soundness import UNSOUND_ANGLE, UNSOUND_ANGLE_OF_LOAD, UNSOUND_LOAD

from steelyard.publish.bulletin import Bulletin, Kind
from steelyard.publish.flag_words import flags_json
from steelyard.publish.live_clock import LiveClock
from steelyard.publish.quantities import Quantity, Value
from steelyard.publish.scales import BoxScales

MESSAGE_SAMPLES: Final = 100
"""At most so many in a message.  Why: after a computer has stood still for seconds, all that
gathered would be one message, too long for many a reader and for any bounded queue."""

Sample = LoadSample | AngleSample


def samples_bulletins(
    samples: Sequence[Sample], clock: LiveClock, scales: BoxScales
) -> list[Bulletin]:
    """Messages with all these samples, in order: each of one boot, and none too long."""
    bulletins = []
    start = 0
    for end in range(1, len(samples) + 1):
        full = end - start == MESSAGE_SAMPLES
        if full or end == len(samples) or samples[end].boot_id != samples[start].boot_id:
            bulletins.append(_one_boot(samples[start:end], clock, scales))
            start = end
    return bulletins


def _one_boot(samples: Sequence[Sample], clock: LiveClock, scales: BoxScales) -> Bulletin:
    own = _own_values(samples, scales)
    arm = _arm_values(samples, scales)
    _add_joint_values(arm, samples, scales)
    rows = ",".join(
        _load_row(sample, clock, own[place], arm[place])
        if isinstance(sample, LoadSample)
        else _angle_row(sample, clock, own[place])
        for place, sample in enumerate(samples)
    )
    text = f'{{"type":"samples","boot_id":{samples[0].boot_id},"samples":[{rows}]}}'
    return Bulletin(Kind.SAMPLES, text.encode("ascii"), len(samples))


def _load_row(sample: LoadSample, clock: LiveClock, own: str, arm: str) -> str:
    channel, flags, boot_id, sequence, ticks, counts, angle, age_us = sample
    device_us = clock.device_us(boot_id, ticks)
    sound = "false" if flags & UNSOUND_LOAD or counts == NO_COUNTS else "true"
    return (
        f'{{"channel":{channel},"sequence":{sequence},"device_us":{device_us},'
        f'"unix_us":{clock.unix_us(device_us) or "null"},"counts":{_count(counts)},'
        f'"sound":{sound},"flags":{flags_json(flags)}{own},'
        f'"arm_angle_counts":{_count(angle)},"arm_angle_age_us":{age_us}{arm}}}'
    )


def _angle_row(sample: AngleSample, clock: LiveClock, own: str) -> str:
    device_us = clock.device_us(sample.boot_id, sample.device_ticks_us)
    counts, flags = sample.angle_counts, sample.flags
    sound = "false" if flags & UNSOUND_ANGLE or counts == NO_COUNTS else "true"
    return (
        f'{{"channel":{sample.channel},"sequence":{sample.sequence},"device_us":{device_us},'
        f'"unix_us":{clock.unix_us(device_us) or "null"},"counts":{_count(counts)},'
        f'"sound":{sound},"flags":{flags_json(flags)}{own}}}'
    )


def _count(counts: int) -> str:
    return "null" if counts == NO_COUNTS else str(counts)


def _own_values(samples: Sequence[Sample], scales: BoxScales) -> list[str]:
    """For each sample its calibrated value as JSON keys, or nothing."""
    texts = [""] * len(samples)
    places: dict[int, list[int]] = {}
    for place, sample in enumerate(samples):
        places.setdefault(sample.channel, []).append(place)
    for channel, chosen in places.items():
        scale = scales.of(channel)
        if scale is None:
            continue
        values = scale.values([_own_counts(samples[place]) for place in chosen])
        for place, value in zip(chosen, values, strict=True):
            texts[place] = _value_text(scale.quantity, value, _is_unsound(samples[place]))
    return texts


def _arm_values(samples: Sequence[Sample], scales: BoxScales) -> list[str]:
    """For each load sample the calibrated angle it carries, or nothing."""
    texts = [""] * len(samples)
    places = [
        (place, sample) for place, sample in enumerate(samples) if isinstance(sample, LoadSample)
    ]
    for angle_channel in {scales.angle_channel(sample.channel) for _, sample in places}:
        scale = scales.of(angle_channel)
        if scale is None:
            continue
        chosen = [item for item in places if scales.angle_channel(item[1].channel) == angle_channel]
        values = scale.values([sample.angle_counts for _, sample in chosen])
        for (place, sample), value in zip(chosen, values, strict=True):
            unsound = bool(sample.flags & UNSOUND_ANGLE_OF_LOAD)
            texts[place] = _value_text(scale.quantity, value, unsound, "arm_")
    return texts


def _add_joint_values(texts: list[str], samples: Sequence[Sample], scales: BoxScales) -> None:
    """Put torque and angle of the joint behind the arm's angle, where the profile gives them."""
    places = [
        (place, sample)
        for place, sample in enumerate(samples)
        if isinstance(sample, LoadSample) and scales.joint_angle(sample.channel) is not None
    ]
    if not places:
        return
    channel = places[0][1].channel
    torque, angle = scales.joint_torque(channel), scales.joint_angle(channel)
    if torque is not None:
        values = torque.values([sample.load_counts for _, sample in places])
        for (place, sample), value in zip(places, values, strict=True):
            texts[place] += _value_text(torque.quantity, value, _is_unsound(sample))
    if angle is not None:
        values = angle.values([sample.angle_counts for _, sample in places])
        for (place, sample), value in zip(places, values, strict=True):
            unsound = bool(sample.flags & UNSOUND_ANGLE_OF_LOAD)
            texts[place] += _value_text(angle.quantity, value, unsound, beyond_key="joint_angle_")


def _own_counts(sample: Sample) -> int:
    return sample.load_counts if isinstance(sample, LoadSample) else sample.angle_counts


def _is_unsound(sample: Sample) -> bool:
    return bool(sample.flags & (UNSOUND_LOAD if isinstance(sample, LoadSample) else UNSOUND_ANGLE))


def _value_text(
    quantity: Quantity, value: Value, unsound: bool, prefix: str = "", beyond_key: str = ""
) -> str:
    number, uncertainty, extrapolated = value
    key, uncertainty_key = prefix + quantity.key, prefix + quantity.uncertainty_key
    if unsound or not (math.isfinite(number) and math.isfinite(uncertainty)):
        return f',"{key}":null,"{uncertainty_key}":null'
    beyond = f',"{beyond_key or prefix}extrapolated":true' if extrapolated else ""
    return f',"{key}":{number:.7g},"{uncertainty_key}":{uncertainty:.3g}{beyond}'
