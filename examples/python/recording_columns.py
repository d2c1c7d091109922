"""A recording as numpy columns: counts, times and flags of each load channel."""

import sys
from pathlib import Path

from steelyard.recording.reader import read_recording

recording = read_recording(Path(sys.argv[1]))
for channel, load in recording.loads.items():
    sound = load.load_counts[load.flags == 0]
    seconds = (load.device_us[-1] - load.device_us[0]) / 1e6
    print(f"channel {channel}: {len(load)} samples in {seconds:.1f} s, mean {sound.mean():.1f}")
