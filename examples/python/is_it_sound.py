"""Is a recording sound?  What a program needs to know of it, in one call."""

import sys
from pathlib import Path

from steelyard.recording.validator import validate

report = validate(Path(sys.argv[1]))
print(report.verdict.value, report.frames_good_total, report.missing_total)
for finding in report.findings:
    print(finding.code, finding.text)
