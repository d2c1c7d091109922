"""A cable pulled and put back again and again, a box that restarts: the recorder goes on by itself.

A real serial port (a pty) read through pyserial, the real firmware behind it.
``STEELYARD_UNPLUGS``: how often.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from steelyard_protocol.decoder import Message
from steelyard_protocol.records import AngleSample, LoadSample

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

from steelyard.device import Poll
from steelyard.recording.reader import read_recording
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.recording.validator import validate
from steelyard.simulator.pty import PtyBox
from steelyard.transport.link_machine import Backoff
from steelyard.transport.reconnecting import ReconnectingLink

ROUNDS = int(os.environ.get("STEELYARD_UNPLUGS", "50"))
SAMPLES_A_ROUND = 30
Key = tuple[str, int, int, int]


class Witness:
    """Every sample that reached the recorder, as (message, boot, channel, sequence)."""

    def __init__(self) -> None:
        self.keys: list[Key] = []
        self.samples_of_boot: dict[int, int] = {}

    def lives(self, boots: int) -> bool:
        """Whether so many boots were seen, and enough of the latest one."""
        held = list(self.samples_of_boot.values())
        return len(held) >= boots and held[-1] >= SAMPLES_A_ROUND

    def see(self, poll: Poll) -> None:
        for event in poll.events:
            record = event.record if isinstance(event, Message) else None
            if isinstance(record, LoadSample | AngleSample):
                name = "load" if isinstance(record, LoadSample) else "angle"
                self.keys.append((name, record.boot_id, record.channel, record.sequence))
                held = self.samples_of_boot.get(record.boot_id, 0)
                self.samples_of_boot[record.boot_id] = held + 1


def wait_for(condition: Callable[[], bool], seconds: float = 120.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "the recorder did not go on"
        time.sleep(0.002)


@pytest.mark.slow
def test_again_and_again(tmp_path: Path) -> None:
    witness = Witness()
    with PtyBox("heron?task=rest&speed=4") as box:
        link = ReconnectingLink(str(box.path), Backoff(shortest=0.02, longest=0.2, steady=0.1))
        plan = RecordingPlan(tmp_path / "unplugged.steelyard")
        recorder = Recorder(link, plan, on_poll=witness.see)
        thread = threading.Thread(target=recorder.run)
        thread.start()
        try:
            for number in range(ROUNDS):
                wait_for(lambda number=number: witness.lives(number + 1))  # type: ignore[misc]
                if number % 4 == 3:
                    box.reboot()
                else:
                    box.unplug()
                    time.sleep(0.01)
                    box.plug()
            wait_for(lambda: witness.lives(ROUNDS + 1))
        finally:
            recorder.stop()
            thread.join()
    report = validate(plan.path)
    unplugged = sum(number % 4 != 3 for number in range(ROUNDS))
    assert report.links_lost_total == unplugged
    assert report.links_opened_total == unplugged + 1
    assert report.reboots_total == ROUNDS
    assert report.frames_bad_total == 0

    recorded = recorded_keys(plan.path)
    assert len(recorded) == len(witness.keys), "what came was recorded, and nothing else"
    assert set(recorded) == set(witness.keys)
    assert report.missing_total == missing_numbers(recorded)
    assert {(gap.boot_id, gap.channel) for gap in report.gaps} == gaps_of(recorded)


def recorded_keys(path: Path) -> list[Key]:
    recording = read_recording(path)
    keys: list[Key] = []
    for name, channels in (("load", recording.loads), ("angle", recording.angles)):
        for channel, samples in channels.items():
            boots = [recording.boot_ids[index] for index in samples.boot_index.tolist()]
            keys += [
                (name, boot, channel, sequence)
                for boot, sequence in zip(boots, samples.sequence.tolist(), strict=True)
            ]
    return keys


def by_stream(keys: list[Key]) -> dict[tuple[str, int, int], list[int]]:
    streams: dict[tuple[str, int, int], list[int]] = {}
    for name, boot, channel, sequence in keys:
        streams.setdefault((name, boot, channel), []).append(sequence)
    return streams


def missing_numbers(keys: list[Key]) -> int:
    return sum(max(held) - min(held) + 1 - len(held) for held in by_stream(keys).values())


def gaps_of(keys: list[Key]) -> set[tuple[int, int]]:
    return {
        (boot, channel)
        for (_, boot, channel), held in by_stream(keys).items()
        if max(held) - min(held) + 1 != len(held)
    }
