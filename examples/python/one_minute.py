"""One minute out of a long recording, without reading the rest."""

import sys
from pathlib import Path

from steelyard.recording.span import read_span

begin = float(sys.argv[2])
recording = read_span(Path(sys.argv[1]), begin, begin + 60)
for channel, load in recording.loads.items():
    print(channel, len(load), load.load_counts.min(), load.load_counts.max())
