"""Brokers of many boxes in one process, as on a machine that collects a chain of practices.

As a program: ``python many_brokers.py GATHER FOLDER PORT...`` prints where each serves JSON
lines, serves, and prints what it cost between the first line of its input and the second.
FOLDER: each also records there; ``-``: none does.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import time
from pathlib import Path

from steelyard.publish import BoxSource, Broker, Servers
from steelyard.publish.promptness import HAND_OVER_SECONDS, be_prompt
from steelyard.publish.recording_desk import RecordingOrder
from steelyard.recording.file_format import Subject


def memory_mb(name: str) -> float:
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith(name):
            return int(line.split()[1]) / 1e3
    return 0.0


async def serve(gather_seconds: float, folder: Path | None, ports: list[str]) -> None:
    async with contextlib.AsyncExitStack() as stack:
        brokers = [
            Broker(
                BoxSource(port, gather_seconds=gather_seconds, read_ahead=False),
                Servers(line_port=0, socket_port=None),
                recordings=folder,
            )
            for port in ports
        ]
        await asyncio.gather(*(stack.enter_async_context(broker) for broker in brokers))
        if folder is not None:
            for number, broker in enumerate(brokers):
                await broker.desk.start(RecordingOrder(Subject(), name=f"box-{number}"))  # type: ignore[union-attr]
        be_prompt(max(HAND_OVER_SECONDS, gather_seconds / 10))
        print(json.dumps([broker.line_address[1] for broker in brokers]), flush=True)  # type: ignore[index]
        await asyncio.to_thread(sys.stdin.readline)
        cpu, wall, memory = time.process_time(), time.monotonic(), memory_mb("VmRSS")
        await asyncio.to_thread(sys.stdin.readline)
        usage = {
            "cores": (time.process_time() - cpu) / (time.monotonic() - wall),
            "memory_mb": memory,
            "memory_grown_mb": memory_mb("VmRSS") - memory,
            "missed_total": sum(broker.hub.samples_missed_total for broker in brokers),
        }
    print(json.dumps(usage), flush=True)


if __name__ == "__main__":
    recordings = None if sys.argv[2] == "-" else Path(sys.argv[2])
    asyncio.run(serve(float(sys.argv[1]), recordings, sys.argv[3:]))
