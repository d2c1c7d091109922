"""Record a box for some seconds, from a program instead of the command line."""

import sys
from pathlib import Path

from steelyard.recording.file_format import Subject
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.transport.reconnecting import ReconnectingLink

port, path, seconds = sys.argv[1], Path(sys.argv[2]), float(sys.argv[3])
plan = RecordingPlan(path, Subject("Heron", "C-001"), duration_seconds=seconds)
done = Recorder(ReconnectingLink(port), plan).run()
print(f"{done.samples_total} samples, {done.missing_total} missing, {done.size_bytes} bytes")
