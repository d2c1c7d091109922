"""Raw samples of a box as they come: a serial port, sim:heron, or replay:FILE alike."""

import contextlib
import sys

from steelyard.device import Box
from steelyard.errors import DeviceStreamEndedError
from steelyard_protocol.decoder import Message
from steelyard_protocol.records import LoadSample

with Box.open(sys.argv[1]) as box, contextlib.suppress(DeviceStreamEndedError, KeyboardInterrupt):
    box.start_stream()
    while True:  # until Ctrl-C, or the end of a recording played back
        for event in box.poll(timeout_seconds=0.05).events:
            if isinstance(event, Message) and isinstance(event.record, LoadSample):
                sample = event.record
                print(sample.channel, sample.sequence, sample.load_counts, sample.flags)
