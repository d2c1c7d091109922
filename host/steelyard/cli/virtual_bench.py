"""What demo and rehearsal do at a virtual bench: wait for a load, and take a reading."""

from __future__ import annotations

from steelyard_protocol.decoder import Message
from steelyard_protocol.records import LoadSample

from steelyard.calibration.guided_run import GuidedRun, Phase
from steelyard.device import Box
from steelyard.errors import CalibrationError


def let_pass(box: Box, seconds: float) -> None:
    """Let time pass, as an operator does while a load swings out."""
    clock = box.transport.clock
    end_ns = clock.monotonic_ns() + round(seconds * 1e9)
    while clock.monotonic_ns() < end_ns:
        box.poll(0.1)


def measure(box: Box, run: GuidedRun) -> None:
    """Feed the run until the reading is taken.  Raises CalibrationError when it is refused."""
    while run.progress.phase is Phase.MEASURING:
        for event in box.poll(0.1).events:
            record = event.record if isinstance(event, Message) else None
            if isinstance(record, LoadSample) and record.channel == 0:
                run.feed(record.load_counts, record.device_ticks_us, record.flags)
    if run.progress.phase is Phase.REFUSED:
        raise CalibrationError(run.progress.text, "Try another --seed.")
