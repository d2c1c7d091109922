"""Starts recorders and kills each at a random moment; a program of its own, for a test.

``python killed_recorders.py FOLDER ROUNDS SEED``.  Each round leaves in FOLDER a
recording ``N.steelyard`` and a log ``N.log`` with lines of

    S size time     the file was brought to the disk when it had so many bytes
    P time message boot channel sequence ...      samples handed on after they were written
    K signal        killed

Times are of the system's monotonic clock, in ns.
"""

from __future__ import annotations

import os
import random
import signal
import stat
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from steelyard.device import Poll
from steelyard.recording import append_file
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.transport.reconnecting import ReconnectingLink
from steelyard_protocol.decoder import Message
from steelyard_protocol.records import AngleSample, LoadSample

AT_ONCE = 10
LONGEST_SECONDS = 3.0
EARLY_PART = 0.2
"""Of all kills; the others come when samples are being written, however slow the start was."""


@dataclass
class _Run:
    number: int
    left_seconds: float
    moment: float | None
    """When to kill; None: so long after its first samples."""


def record(folder: Path, number: int) -> None:
    """The life of one recorder; it ends by being killed."""
    log = os.open(folder / f"{number}.log", os.O_CREAT | os.O_APPEND | os.O_WRONLY)
    real_fsync = os.fsync

    def fsync(descriptor: int) -> None:
        facts = os.fstat(descriptor)
        begun_ns = time.monotonic_ns()
        real_fsync(descriptor)
        if stat.S_ISREG(facts.st_mode):  # a folder is synced too, once
            os.write(log, f"S {facts.st_size} {begun_ns}\n".encode())

    def follow(poll: Poll) -> None:
        words = ["P", str(time.monotonic_ns())]
        for event in poll.events:
            sample = event.record if isinstance(event, Message) else None
            if isinstance(sample, LoadSample | AngleSample):
                kind = "load" if isinstance(sample, LoadSample) else "angle"
                words.append(f"{kind} {sample.boot_id} {sample.channel} {sample.sequence}")
        os.write(log, (" ".join(words) + "\n").encode())

    append_file.os.fsync = fsync
    link = ReconnectingLink(f"sim:heron?task=rest&speed=1&seed={number}")
    Recorder(link, RecordingPlan(folder / f"{number}.steelyard"), on_poll=follow).run()


def main(folder: Path, rounds: int, seed: int) -> None:
    """Keep some recorders running until all have been killed."""
    chance = random.Random(seed)
    running: dict[int, _Run] = {}
    started = 0
    while started < rounds or running:
        while started < rounds and len(running) < AT_ONCE:
            child = os.fork()
            if child == 0:
                try:
                    record(folder, started)
                finally:
                    os._exit(1)  # not reached: it is killed first
            left = chance.uniform(0.02, LONGEST_SECONDS)
            early = chance.random() < EARLY_PART
            running[child] = _Run(started, left, time.monotonic() + left if early else None)
            started += 1
        for child, run in list(running.items()):
            number = run.number
            log_path = folder / f"{number}.log"
            if run.moment is None and log_path.exists() and "\nP " in log_path.read_text():
                run.moment = time.monotonic() + run.left_seconds
            if run.moment is not None and time.monotonic() >= run.moment:
                os.kill(child, signal.SIGKILL)
                _, status = os.waitpid(child, 0)
                with log_path.open("a") as log:
                    log.write(f"K {os.WTERMSIG(status)}\n")
                del running[child]
        time.sleep(0.005)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
