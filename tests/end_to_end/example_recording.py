"""Makes protocol/vectors/recording.steelyard and .json: once, then they are frozen.

``python tests/end_to_end/example_recording.py`` writes them if they are missing.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
RECORDING = ROOT / "protocol" / "vectors" / "recording.steelyard"
EXPECTED = RECORDING.with_suffix(".json")
PORT = (
    "heron?task=session&speed=max&seed=5&drift=40&ticks=1065741824"  # wraps 8 s after power-up
    "&faults=button@5+0.4,cable@9+1,torn.1@12,corrupt=0.002@14+1,reboot@17"
)
SECONDS = 22.0
MACHINE = {
    "machine": "Heron",
    "practice": "Saltmarsh Back & Neck (invented)",
    "joint": "lumbar",
    "note": "Ä letter of two bytes cut between two parts: " + "ö" * 90,
}


def make(path: Path) -> None:
    """Record the virtual Heron through everything that may happen, and tear the end off."""
    from steelyard.device import Box
    from steelyard.recording.documents import Document
    from steelyard.recording.file_format import Subject
    from steelyard.recording.recorder import Recorder, RecordingPlan
    from steelyard.recording.recording_progress import RecordingProgress
    from steelyard.simulator.port import SimulatedPort, open_simulated_port
    from steelyard.transport.link_machine import Backoff
    from steelyard.transport.reconnecting import ReconnectingLink
    from steelyard_protocol.records import DocumentKind, SettingKey

    ports: list[SimulatedPort] = []

    def open_port() -> SimulatedPort:
        if ports:
            return ports[0].reopen()
        port = open_simulated_port(PORT)
        box = Box(port)
        box.identify()
        box.write_setting(SettingKey.BOX_NAME, text="Heron 1")
        for channel, serial in enumerate(("SB-2041", "SB-2042")):
            box.write_setting(SettingKey.SENSOR_SERIAL, channel, text=serial)
        box.write_setting(SettingKey.ANGLE_RATE_MILLIHERTZ, 2, number=50_000)
        box.write_setting(SettingKey.ANGLE_RATE_MILLIHERTZ, 3, number=2_000)
        ports.append(port)
        return port

    def remark(progress: RecordingProgress) -> None:
        if progress.samples_total and not remarked:
            remarked.append(True)
            recorder.annotate("counterweight two turns up ↑")

    remarked: list[bool] = []
    plan = RecordingPlan(
        path,
        Subject("Heron", "C-001"),
        [
            Document(DocumentKind.MACHINE, json.dumps(MACHINE, ensure_ascii=False)),
            Document(DocumentKind.NOTE, "made to test decoders"),
        ],
        duration_seconds=SECONDS,
    )
    link = ReconnectingLink(open_port, Backoff(shortest=0.1, longest=0.2))
    recorder = Recorder(link, plan, on_progress=remark)
    recorder.run()
    with path.open("ab") as file:
        file.write(bytes.fromhex("0203010107319c5a2f"))  # power went in the middle of a frame


def findings(path: Path) -> dict[str, Any]:
    """What our own reader finds in a recording, as plain data."""
    from steelyard.recording.reader import read_recording
    from steelyard.recording.validator import validate
    from steelyard_protocol.records import LinkState

    recording, report = read_recording(path), validate(path)
    channels = []
    for name, group in (("load_sample", recording.loads), ("angle_sample", recording.angles)):
        for channel, samples in sorted(group.items()):
            counts = samples.load_counts if name == "load_sample" else samples.angle_counts
            place = len(samples) // 2
            channels.append(
                {
                    "message": name,
                    "channel": channel,
                    "samples": len(samples),
                    "flags": sorted({int(flag) for flag in samples.flags.tolist()}),
                    "first": _moment(samples, counts, 0),
                    "middle": _moment(samples, counts, place),
                    "last": _moment(samples, counts, -1),
                }
            )
    return {
        "about": "device_us: unwrapped within the boot, from its first ticks; host_unix_ns: from "
        "the time marks, good to 1 ms; wraps: by boot",
        "bytes": path.stat().st_size,
        "machine": recording.origin.machine,
        "client_code": recording.origin.client_code,
        "boot_ids": list(recording.boot_ids),
        "link_changes": [LinkState(item.state).name.lower() for item in recording.link_changes],
        "corrupt_pieces": len(recording.corrupt),
        "torn_tail_bytes": recording.torn_tail_bytes,
        "frames": dict(sorted(report.frames_by_message.items())),
        "documents": [
            {"kind": document.kind, "text": document.text} for document in recording.documents
        ],
        "annotations": [item.text[: item.length].decode("utf-8") for item in recording.annotations],
        "events": [[item.kind, item.channel, item.flags] for item in recording.events],
        "missing": {
            f"{item.message} {item.channel}": item.missing_total for item in report.channels
        },
        "channels": channels,
    }


def _moment(samples: Any, counts: Any, place: int) -> dict[str, Any]:
    return {
        "sequence": int(samples.sequence[place]),
        "device_us": int(samples.device_us[place]),
        "host_unix_ns": str(int(samples.host_unix_ns[place])),
        "counts": int(counts[place]),
    }


def main() -> None:
    """Write what is missing."""
    sys.path[:0] = [str(ROOT / "host"), str(ROOT / "protocol")]
    if not RECORDING.exists():
        make(RECORDING)
    if not EXPECTED.exists():
        text = json.dumps(findings(RECORDING), indent=1, ensure_ascii=False)
        EXPECTED.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
