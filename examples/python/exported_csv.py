"""Read an exported CSV with nothing but the standard library."""

import csv
import sys
from pathlib import Path

lines = Path(sys.argv[1]).read_text(encoding="utf-8").splitlines()
facts = dict(line[2:].split(": ", 1) for line in lines if line.startswith("# "))
rows = list(csv.DictReader(line for line in lines if not line.startswith("# ")))
print(facts["machine"], facts["calibration"], facts["clock"])
print(len(rows), "rows, the first at", rows[0]["host_time_utc"])
