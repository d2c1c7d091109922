"""Any number of hours in constant memory: batch after batch, every CRC checked."""

import sys
from pathlib import Path

from steelyard.recording.scan import iterate_batches

highest = {}
for batch in iterate_batches(Path(sys.argv[1])):
    if "load_sample" in batch.tables:
        load = batch.tables["load_sample"].columns
        for channel in set(load["channel"].tolist()):
            top = load["load_counts"][load["channel"] == channel].max()
            highest[channel] = max(highest.get(channel, top), top)
print({channel: int(counts) for channel, counts in sorted(highest.items())})
