"""Decoded samples as they come: what the machine shows now, and signals of any stretch.

Everything goes by the samples themselves, one after the other: in what pieces
they arrive changes nothing.  The box's clock gives the times.  The caller's
clock (``at_seconds``, that of the stream: virtual for a virtual box) only says
how long ago the last sample came.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from steelyard_protocol.messages import NO_COUNTS
from steelyard_protocol.records import AngleSample, LoadSample, SampleFlags, Status
from steelyard_protocol.soundness import UNSOUND_ANGLE, UNSOUND_ANGLE_OF_LOAD, UNSOUND_LOAD

from steelyard.guidance.flag_meanings import flag_meanings
from steelyard.guidance.machine_scales import MachineScales
from steelyard.guidance.sample_window import SampleWindow
from steelyard.guidance.stretch import Stretch
from steelyard.guidance.views import LiveView, Quality, TraceView
from steelyard.strength.signals import Signals
from steelyard.time_sync import TickUnwrapper, ticks_difference_us

Array = NDArray[np.float64]

STALE_SECONDS: Final = 0.4
"""Without a sample for longer than this, the view says not live (asked: within 0.5 s)."""
BEAT_US: Final = 50_000
"""Steps look at the samples so often, by the box's clock."""
GAP_SECONDS: Final = 0.5
"""Samples missing for longer than this are an outage to a step."""
WINDOW_SAMPLES: Final = 220_000
"""Some forty minutes at full rate: longer than any step."""
ALARM_SECONDS: Final = 2.0
TRACE_EVERY: Final = 4
SATURATED: Final = int(SampleFlags.SATURATED_HIGH | SampleFlags.SATURATED_LOW)

_COMMON: Final[dict[str, Any]] = {
    "boots": np.int64,
    "sequence": np.int64,
    "device_us": np.int64,
    "offsets": np.int64,
    "flags": np.uint16,
    "angle_counts": np.int32,
    "seconds": np.float64,
    "degrees": np.float64,
}
_LOAD: Final[dict[str, Any]] = {
    **_COMMON,
    "load_counts": np.int32,
    "angle_age_us": np.uint16,
    "torque": np.float64,
    "beyond": np.bool_,
}


@dataclass(frozen=True)
class KeptTime:
    """A sample by boot and ticks, its time in the visit, and when it came (the stream's clock)."""

    boot_id: int
    ticks_us: int
    seconds: float
    at_seconds: float


class WindowColumns:
    """A window's columns under the names that ``stretch.NumberedLoad`` asks for."""

    def __init__(self, window: SampleWindow) -> None:
        self._window = window

    def __len__(self) -> int:
        return len(self._window)

    def __getattr__(self, name: str) -> NDArray[Any]:
        return self._window.column(name)


class LiveSignals:
    """The channels of one machine, live."""

    def __init__(self, scales: MachineScales, window_samples: int = WINDOW_SAMPLES) -> None:
        self.scales = scales
        self.restarts_total = 0
        self.lost_total = 0
        self.alarms_total = 0
        self._load = SampleWindow(_LOAD, window_samples)
        self._roller = SampleWindow(_COMMON, window_samples)
        self._waiting_load: list[tuple[Any, ...]] = []
        self._waiting_roller: list[tuple[Any, ...]] = []
        self._ticks = TickUnwrapper()
        self._latest: LoadSample | None = None
        self._latest_roller: AngleSample | None = None
        self._latest_us = 0
        self._offset = 0
        self._boot_starts: dict[int, float] = {}
        self._arrived_seconds: float | None = None
        self._lost_because = ""
        self._outage = ""
        self._alarm, self._alarm_until = "", -math.inf
        self._kept: KeptTime | None = None

    # --- samples in ------------------------------------------------------------------

    def add(self, record: object, at_seconds: float) -> bool:
        """Take the next record; True when a beat is over and steps should look.

        What is no sample of this machine's channels is passed over.
        """
        channels = self.scales.profile.channels
        if isinstance(record, LoadSample) and record.channel == channels.load:
            return self._add_load(record, at_seconds)
        if isinstance(record, AngleSample) and record.channel == channels.roller:
            self._add_roller(record)
        elif isinstance(record, Status):
            self._ticks.anchor(record.boot_id, record.device_ticks_us, record.uptime_ms)
        return False

    def lose_link(self, because: str) -> None:
        """Say that the link is gone; over with the next sample."""
        self._lost_because = because or "the link to the box is lost"

    def take_outage(self) -> str:
        """What was lost since this was last asked, in words; empty: nothing."""
        outage, self._outage = self._outage, ""
        return outage

    def _add_load(self, sample: LoadSample, at_seconds: float) -> bool:
        before, before_us = self._latest, self._latest_us
        device_us = self._ticks.unwrap(sample.boot_id, sample.device_ticks_us)
        beat = False
        if before is None:
            self._boot_starts[sample.boot_id] = self._first_start(sample, device_us, at_seconds)
        elif before.boot_id != sample.boot_id:
            beat = True
            self._restart(sample.boot_id, device_us, at_seconds)
        else:
            beat = device_us // BEAT_US != before_us // BEAT_US
            self._note_gap(sample, before, (device_us - before_us) * 1e-6)
        if beat:
            self.flush()
        self._latest, self._latest_us = sample, device_us
        self._arrived_seconds, self._lost_because = at_seconds, ""
        self._offset += 1
        self._waiting_load.append(
            (
                sample.boot_id,
                sample.sequence,
                device_us,
                self._offset,
                sample.flags,
                sample.angle_counts,
                sample.load_counts,
                sample.angle_age_us,
            )
        )
        return beat

    def _first_start(self, sample: LoadSample, device_us: int, at_seconds: float) -> float:
        """Zero of the visit's time on the box's clock; the first sample ever is at zero."""
        kept = self._kept
        if kept is None:
            return -device_us * 1e-6
        away = ticks_difference_us(sample.device_ticks_us, kept.ticks_us) * 1e-6
        if kept.boot_id != sample.boot_id or away < 0.0:
            away = max(0.02, at_seconds - kept.at_seconds)
        return kept.seconds + away - device_us * 1e-6

    def _restart(self, boot_id: int, device_us: int, at_seconds: float) -> None:
        away = max(0.02, at_seconds - (self._arrived_seconds or at_seconds))
        self._boot_starts[boot_id] = (self.seconds or 0.0) + away - device_us * 1e-6
        self.restarts_total += 1
        self._outage = f"The box restarted; about {away:.1f} s were not measured."

    def _note_gap(self, sample: LoadSample, before: LoadSample, seconds: float) -> None:
        self.lost_total += max(0, sample.sequence - before.sequence - 1)
        if seconds > GAP_SECONDS:
            self._outage = f"{seconds:.1f} s of samples did not come."

    def _add_roller(self, sample: AngleSample) -> None:
        self._latest_roller = sample
        self._offset += 1
        device_us = self._ticks.unwrap(sample.boot_id, sample.device_ticks_us)
        if sample.boot_id in self._boot_starts:
            row = (sample.boot_id, sample.sequence, device_us, self._offset, sample.flags)
            self._waiting_roller.append((*row, sample.angle_counts))

    def flush(self) -> None:
        """Turn what came since the last beat into figures."""
        if self._waiting_roller:
            self._flush_roller()
        if not self._waiting_load:
            return
        columns = np.array(self._waiting_load, np.int64).T
        self._waiting_load.clear()
        boots, sequence, device_us, offsets, flags, angles, counts, ages = columns
        forced = (counts != NO_COUNTS) & (flags & UNSOUND_LOAD == 0)
        torque, beyond = self.scales.torque.convert(np.where(forced, counts, 0).astype(np.float64))
        angled = (angles != NO_COUNTS) & (flags & UNSOUND_ANGLE_OF_LOAD == 0)
        degrees = self.scales.angle.convert(angles.astype(np.int32))
        self._load.add(
            {
                "boots": boots,
                "sequence": sequence,
                "device_us": device_us,
                "offsets": offsets,
                "flags": flags,
                "angle_counts": angles,
                "seconds": self._boot_starts[int(boots[0])] + device_us * 1e-6,
                "degrees": np.where(angled, degrees, np.nan),
                "load_counts": counts,
                "angle_age_us": ages,
                "torque": np.where(forced, torque, np.nan),
                "beyond": beyond & forced,
            }
        )
        self._watch_for_overload(flags, torque, forced)

    def _flush_roller(self) -> None:
        rows = np.array(self._waiting_roller, np.int64).T
        self._waiting_roller.clear()
        boots, sequence, device_us, offsets, flags, angles = rows
        facts = self.scales.profile.roller
        sound = (angles != NO_COUNTS) & (flags & UNSOUND_ANGLE == 0)
        per_count = facts.degrees_per_count if facts is not None else math.nan
        self._roller.add(
            {
                "boots": boots,
                "sequence": sequence,
                "device_us": device_us,
                "offsets": offsets,
                "flags": flags,
                "angle_counts": angles,
                "seconds": [
                    self._boot_starts[boot] + us * 1e-6
                    for boot, us in zip(boots.tolist(), device_us.tolist(), strict=True)
                ],
                "degrees": np.where(sound, angles * per_count, np.nan),
            }
        )

    def _watch_for_overload(
        self, flags: NDArray[np.int64], torque: Array, forced: NDArray[np.bool_]
    ) -> None:
        limit = self.scales.profile.torque_limit_nm
        known = torque[forced & np.isfinite(torque)]
        highest = float(np.abs(known).max()) if len(known) else 0.0
        now = float(self._load.latest("seconds", 1)[-1])
        if highest > limit:
            text = f"Overload: {highest:.0f} N·m, the machine is meant for {limit:g}. Let go."
        elif (flags & SampleFlags.OVERLOAD).any():
            text = "Overload: the box's own limit is passed. Let go."
        else:
            return
        if now > self._alarm_until:
            self.alarms_total += 1
        self._alarm, self._alarm_until = text, now + ALARM_SECONDS

    # --- what there is ---------------------------------------------------------------

    @property
    def seconds(self) -> float | None:
        """Time of the visit at the latest sample."""
        if self._latest is None:
            return None
        return self._boot_starts[self._latest.boot_id] + self._latest_us * 1e-6

    @property
    def place(self) -> tuple[int, int] | None:
        """Boot and number of the latest load sample; None before any."""
        return None if self._latest is None else (self._latest.boot_id, self._latest.sequence)

    @property
    def alarm(self) -> str:
        """Overload in words; empty: none in the last two seconds."""
        return self._alarm if (self.seconds or 0.0) <= self._alarm_until else ""

    def is_live(self, at_seconds: float) -> bool:
        """Whether a sample came just now."""
        arrived = self._arrived_seconds
        return not self._lost_because and (
            arrived is not None and at_seconds - arrived <= STALE_SECONDS
        )

    def recent(self, seconds: float) -> tuple[Array, Array, Array]:
        """Times, torque and angle (n) of the last seconds of this boot, not filtered."""
        count = round(100 * seconds) + 2
        times = self._load.latest("seconds", count)
        if not len(times):
            return times, times, times
        kept = (times > times[-1] - seconds) & (
            self._load.latest("boots", count) == self._load.latest("boots", 1)[0]
        )
        return (
            times[kept],
            self._load.latest("torque", count)[kept],
            self._load.latest("degrees", count)[kept],
        )

    def recent_roller(self, seconds: float) -> Array:
        """Roller angle (n) of the last seconds; empty without one."""
        times = self._roller.latest("seconds", round(100 * seconds) + 2)
        if not len(times) or self.seconds is None:
            return times
        return self._roller.latest("degrees", len(times))[times > self.seconds - seconds]

    def stretch_from(self, place: tuple[int, int]) -> Stretch:
        """From a place to the latest figure of that boot."""
        boot_id, first = place
        boots = self._load.column("boots")
        rows = np.flatnonzero(boots == boot_id)
        last = int(self._load.column("sequence")[rows[-1]]) if len(rows) else first
        return Stretch(boot_id, first, last)

    def place_at(self, seconds: float) -> tuple[int, int] | None:
        """Boot and number of the first sample at or after a time of the visit."""
        times = self._load.column("seconds")
        at = int(np.searchsorted(times, seconds))
        if at >= len(times):
            return self.place
        return int(self._load.column("boots")[at]), int(self._load.column("sequence")[at])

    def seconds_of(self, place: tuple[int, int]) -> float:
        """Time of the visit of a sample that is still in the window."""
        rows = (self._load.column("boots") == place[0]) & (
            self._load.column("sequence") == place[1]
        )
        found = self._load.column("seconds")[rows]
        return float(found[0]) if len(found) else math.nan

    def kept(self) -> KeptTime | None:
        """What the next program needs to go on with the same time; None before any sample."""
        latest, seconds = self._latest, self.seconds
        if latest is None or seconds is None:
            return self._kept
        at_seconds = self._arrived_seconds or 0.0
        return KeptTime(latest.boot_id, latest.device_ticks_us, seconds, at_seconds)

    def take_kept(self, kept: KeptTime | None) -> None:
        """Go on with the time of a former program; before the first sample."""
        self._kept = kept

    def signals(self, stretch: Stretch) -> Signals:
        """Signals of a stretch: those the recording gives for it.

        Raises AnalysisError when too few of its samples are (still) there.
        """
        return stretch.signals(
            WindowColumns(self._load),
            WindowColumns(self._roller) if len(self._roller) else None,
            self.scales,
        )

    # --- views -----------------------------------------------------------------------

    def view(self, at_seconds: float) -> LiveView:
        """The machine now; ``at_seconds`` on the clock of ``add``."""
        live, sample = self.is_live(at_seconds), self._latest
        arrived = self._arrived_seconds
        torque, torque_u, torque_quality = self._torque_now(sample)
        degrees, angle_quality = self._angle_now(sample)
        roller, roller_quality = self._roller_now()
        if not live:
            torque_quality = angle_quality = roller_quality = Quality.STALE
        roller_flags = self._latest_roller.flags if self._latest_roller else 0
        known = sample is not None and sample.load_counts != NO_COUNTS
        return LiveView(
            live=live,
            stale_seconds=None if arrived is None else max(0.0, at_seconds - arrived),
            not_live_because="" if live else self._why_not_live(),
            seconds=self.seconds,
            calibrated=self.scales.calibrated,
            torque_nm=torque,
            torque_standard_uncertainty_nm=torque_u,
            torque_quality=torque_quality,
            counts=sample.load_counts if sample is not None and known else None,
            angle_degrees=degrees,
            angle_standard_uncertainty_degrees=None if degrees is None else self._angle_u,
            angle_quality=angle_quality,
            roller_degrees=roller,
            roller_quality=roller_quality,
            flags=flag_meanings(sample.flags if sample else 0, roller_flags),
            alarm=self.alarm,
            restarts_total=self.restarts_total,
            lost_total=self.lost_total,
        )

    def trace(self, seconds: float = 10.0) -> TraceView:
        """The last seconds for drawing, every fourth sample."""
        columns = (part[::TRACE_EVERY] for part in self.recent(seconds))
        times, torque, degrees = (part.tolist() for part in columns)
        return TraceView(tuple(times), _shown(degrees), _shown(torque))

    @property
    def _angle_u(self) -> float:
        angle = self.scales.angle
        return math.hypot(
            angle.standard_uncertainty_degrees, angle.periodic_degrees / math.sqrt(2.0)
        )

    def _why_not_live(self) -> str:
        if self._lost_because:
            return self._lost_because
        return "no sample has come yet" if self._latest is None else "no samples are coming"

    def _torque_now(self, sample: LoadSample | None) -> tuple[float | None, float | None, Quality]:
        if sample is None or sample.load_counts == NO_COUNTS:
            return None, None, Quality.MISSING
        if sample.flags & SATURATED:
            return None, None, Quality.SATURATED
        if sample.flags & UNSOUND_LOAD:
            return None, None, Quality.FLAGGED
        if not self.scales.calibrated:
            return None, None, Quality.UNCALIBRATED
        values, beyond = self.scales.torque.convert(np.array([float(sample.load_counts)]))
        torque = float(values[0])
        quality = Quality.BEYOND if beyond[0] else Quality.GOOD
        return torque, self.scales.torque.uncertainty.value(torque), quality

    def _angle_now(self, sample: LoadSample | None) -> tuple[float | None, Quality]:
        if sample is None or sample.angle_counts == NO_COUNTS:
            return None, Quality.MISSING
        if sample.flags & UNSOUND_ANGLE_OF_LOAD:
            return None, Quality.FLAGGED
        return float(self.scales.angle.convert(np.array([sample.angle_counts]))[0]), Quality.GOOD

    def _roller_now(self) -> tuple[float | None, Quality]:
        sample, facts = self._latest_roller, self.scales.profile.roller
        if sample is None or facts is None or sample.angle_counts == NO_COUNTS:
            return None, Quality.MISSING
        if sample.flags & UNSOUND_ANGLE:
            return None, Quality.FLAGGED
        return sample.angle_counts * facts.degrees_per_count, Quality.GOOD


def _shown(values: list[float]) -> tuple[float | None, ...]:
    return tuple(value if math.isfinite(value) else None for value in values)
