"""Ten hours of one channel, some 100 MB: validated in bounded memory and a few seconds."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from host.recording.ideal_box import RecordingMaker

LIMIT_MB = 150
"""The promise to the outside is 300 MB; this is what the validator should take."""

_PROGRAM = """
import sys, pathlib
from steelyard.recording.validator import validate
report = validate(pathlib.Path(sys.argv[1]))
# Not getrusage: a child begins with the peak of the process that started it.
status = pathlib.Path("/proc/self/status").read_text().splitlines()
peak_kb = next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))
print(report.frames_good_total, report.frames_bad_total, peak_kb // 1000)
"""


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="reads the peak from /proc")
def test_ten_hours_in_bounded_memory(maker: RecordingMaker, tmp_path: Path) -> None:
    """The same two minutes over and over: repeats cost the validator no less than news."""
    block = maker.seconds(120).read_bytes()
    path = tmp_path / "long.steelyard"
    copies = -(-100_000_000 // len(block))
    with path.open("wb") as file:
        for _ in range(copies):
            file.write(block)
    answer = subprocess.run(
        [sys.executable, "-c", _PROGRAM, str(path)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    good, bad, peak_mb = map(int, answer.stdout.split())
    assert good > 3_000_000
    assert bad == 0
    assert peak_mb < LIMIT_MB
