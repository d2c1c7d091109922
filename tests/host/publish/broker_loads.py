"""Loads that show what the broker stands, each part in a process of its own.

Boxes, brokers and consumers share no interpreter.  That neither boxes nor consumers are
what is measured can be seen from what they used and how late the boxes sent.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from command_line import environment
from host.publish.listeners import WARM_UP_SECONDS
from steelyard.recording.validator import validate

HERE = Path(__file__).resolve().parent


def _start(script: str, *words: object, keep_input: bool = False) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(HERE / script), *map(str, words)],
        stdin=subprocess.PIPE if keep_input else subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        env=environment(),
    )


def _line(process: subprocess.Popen[str]) -> Any:
    if process.stdout is None:
        raise RuntimeError("no output")
    line = process.stdout.readline()
    if not line:
        raise RuntimeError(f"{process.args} ended without a result; what it says is above")
    return json.loads(line)


def _tell(broker: subprocess.Popen[str]) -> None:
    """Half of the time is over: memory may not grow any more, and cost counts from here."""
    if broker.stdin is not None:
        broker.stdin.write("\n")
        broker.stdin.flush()


def _cost(broker: subprocess.Popen[str]) -> Any:
    _tell(broker)
    return _line(broker)


@contextmanager
def boxes(count: int, rate_hz: float, period_seconds: float) -> Iterator[tuple[list[int], Any]]:
    """Port numbers, and a dictionary that holds what was sent once they have ended."""
    process = _start("paced_boxes.py", count, rate_hz, period_seconds, keep_input=True)
    used: dict[str, Any] = {}
    with process:
        try:
            yield _line(process), used
        finally:
            if process.stdin is not None:
                process.stdin.close()
            sent = _line(process)
            used["boxes_late_ms"] = sent["late_seconds"] * 1000
            used["boxes_cpu_seconds"] = sent["cpu_seconds"]
            used["overflows_total"] = sent["overflows_total"]


class SlowConsumer(threading.Thread):
    """Reads so little that it must miss most; ``bytes_per_second`` 0: reads nothing at all."""

    def __init__(self, number: int, bytes_per_second: int) -> None:
        super().__init__()
        self._bytes = bytes_per_second // 10
        self._ended = threading.Event()
        self._socket = socket.socket()
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self._socket.connect(("127.0.0.1", number))
        self._received = b""
        self.start()

    def run(self) -> None:
        while not self._ended.wait(0.1):
            if self._bytes:
                self._received += self._socket.recv(self._bytes)

    def told_missed(self, patience_seconds: float = 3.0) -> int:
        """End, read what is still there, and sum up what the stream said was missed."""
        self._ended.set()
        self.join()
        self._socket.settimeout(0.5)
        end = time.monotonic() + patience_seconds
        with self._socket:
            while time.monotonic() < end:
                try:
                    data = self._socket.recv(65536)
                except OSError:
                    break
                if not data:
                    break
                self._received += data
        lines = self._received.split(b"\n")[:-1]
        messages = [json.loads(line) for line in lines if line.startswith(b'{"type":"loss"')]
        return sum(message["samples_missed"] for message in messages)


SLEEPER = """
import json, sys, time
late, end = [], time.monotonic() + float(sys.argv[1])
while time.monotonic() < end:
    begun = time.monotonic()
    time.sleep(0.005)
    late.append(time.monotonic() - begun - 0.005)
late.sort()
print(json.dumps(late[int(0.99 * len(late))] * 1000))
"""
"""How late a process that does nothing is woken up: what the computer adds by itself."""


def fifty_consumers(seconds: float = 36.0) -> dict[str, Any]:
    """One box at 300 frames a second, recorded, 50 good consumers, one slow, one dead."""
    with boxes(1, 300, 1 / 300) as (numbers, used), TemporaryDirectory() as folder:
        port = f"socket://127.0.0.1:{numbers[0]}"
        broker = _start("many_brokers.py", 0.004, folder, port, keep_input=True)
        with broker:
            number = _line(broker)[0]
            slow, dead = SlowConsumer(number, 3000), SlowConsumer(number, 0)
            good = _start("listeners.py", seconds, WARM_UP_SECONDS, f"lines:{number}:50")
            sleeper = subprocess.Popen(
                [sys.executable, "-c", SLEEPER, str(seconds)], stdout=subprocess.PIPE, text=True
            )
            with good, sleeper:
                time.sleep(seconds / 2)
                _tell(broker)
                result = dict(_line(good))
                result["sleeper_p99_ms"] = _line(sleeper)
            told = slow.told_missed()
            dead.told_missed(0.0)
            usage = _cost(broker)
        report = validate(Path(folder) / "box-0.steelyard")
        recorded = report.channels[0]
        result["recorded_total"] = recorded.samples_total
        result["recording_lost_total"] = recorded.missing_total + report.frames_bad_total
    return {**result, **usage, **used, "slow_told": told}


def two_hundred_boxes(seconds: float = 40.0) -> dict[str, Any]:
    """200 boxes at 300 frames a second each, on two broker processes, all consumed.

    The boxes share the processors with the brokers, so each sends only 20 times a second:
    sending is their work, and in life it is done elsewhere.  The first half is the start of
    all of them at once, when clocks are compared four times as often; the second is measured.
    """
    with boxes(200, 300, 0.05) as (numbers, used):
        ports = [f"socket://127.0.0.1:{number}" for number in numbers]
        brokers = [
            _start("many_brokers.py", 0.2, "-", *ports[half::2], keep_input=True) for half in (0, 1)
        ]
        serving = [number for broker in brokers for number in _line(broker)]
        words = (f"lines:{number}:1" for number in serving)
        good = _start("listeners.py", seconds, seconds / 2, *words)
        with good:
            time.sleep(seconds / 2)
            for broker in brokers:
                _tell(broker)
            result = dict(_line(good))
        usages = []
        for broker in brokers:
            with broker:
                usages.append(_cost(broker))
    total = {key: sum(usage[key] for usage in usages) for key in usages[0]}
    return {**result, **total, **used}
