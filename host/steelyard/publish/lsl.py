"""The stream for LSL (lab streaming layer), one LSL stream for each channel.

Time stamps are the samples' own moments, put on LSL's clock.  LSL announces
and serves streams on every network of the computer and cannot be kept to the
loopback, so this is started on request only, with a warning.
"""

from __future__ import annotations

import json
import math
import time
from typing import Any, Final

from steelyard.errors import MissingExtraError
from steelyard.publish.bulletin import Bulletin, Kind

try:
    import pylsl  # type: ignore[import-untyped]
except (ImportError, RuntimeError, OSError) as error:  # the last two: its C library is missing
    raise MissingExtraError(
        f"LSL cannot be used ({error}).",
        "pip install 'steelyard[lsl]'; on some systems liblsl has to be installed besides.",
    ) from error

WARNING: Final = "LSL serves on every network of this computer, without a password and unencrypted."
BUFFER_SECONDS: Final = 10
LABELS: Final = ("value", "standard uncertainty", "counts", "sound")


class LslPublisher:
    """A consumer that has one outlet for each channel of the box."""

    def __init__(self) -> None:
        self._outlets: dict[int, tuple[pylsl.StreamOutlet, str, str]] = {}
        self._metadata: bytes = b""

    def deliver(self, bulletin: Bulletin) -> None:
        """Push samples; make the outlets anew when the metadata changes."""
        if bulletin.kind is Kind.METADATA and bulletin.body != self._metadata:
            self._metadata = bulletin.body
            metadata = json.loads(bulletin.body)
            self._outlets = {
                channel["channel"]: _outlet(metadata, channel) for channel in metadata["channels"]
            }
        elif bulletin.kind is Kind.SAMPLES:
            self._push(json.loads(bulletin.body)["samples"])

    def close(self) -> None:
        """Give up the outlets; inlets notice."""
        self._outlets.clear()

    def _push(self, samples: list[dict[str, Any]]) -> None:
        ahead_seconds = pylsl.local_clock() - time.time()
        for sample in samples:
            found = self._outlets.get(sample["channel"])
            if found is None or sample["unix_us"] is None:
                continue
            outlet, key, uncertainty_key = found
            row = [
                _number(sample.get(key)),
                _number(sample.get(uncertainty_key)),
                _number(sample["counts"]),
                float(sample["sound"]),
            ]
            outlet.push_sample(row, sample["unix_us"] * 1e-6 + ahead_seconds)


def _outlet(
    metadata: dict[str, Any], channel: dict[str, Any]
) -> tuple[pylsl.StreamOutlet, str, str]:
    box_id = metadata["box"]["box_id"]
    value = channel["value"]
    info = pylsl.StreamInfo(
        name=f"steelyard {metadata['machine'] or box_id} {channel['kind']} {channel['channel']}",
        type=channel["kind"],
        channel_count=len(LABELS),
        nominal_srate=pylsl.IRREGULAR_RATE,
        channel_format=pylsl.cf_double64,
        source_id=f"steelyard-{box_id}-{channel['channel']}",
    )
    unit = value["unit"] if value else ""
    rows = info.desc().append_child("channels")
    for label, its_unit in zip(LABELS, (unit, unit, "1", "1"), strict=True):
        row = rows.append_child("channel")
        row.append_child_value("label", label)
        row.append_child_value("unit", its_unit)
    described = info.desc().append_child("steelyard")
    described.append_child_value("schema_version", metadata["schema_version"])
    described.append_child_value("site", metadata["site"])
    described.append_child_value("calibration", json.dumps(channel["calibration"]))
    described.append_child_value("nominal_rate_hz", str(channel["nominal_rate_hz"]))
    outlet = pylsl.StreamOutlet(info, max_buffered=BUFFER_SECONDS)
    return outlet, value["key"] if value else "", value["uncertainty_key"] if value else ""


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)
