"""Several processes at once, and processes killed in the middle of a transaction.

``STEELYARD_STORE_KILLS`` sets how many are killed (default 3).
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from command_line import environment
from steelyard.store import copies, open_records

KILLS = int(os.environ.get("STEELYARD_STORE_KILLS", "3"))

WRITER = """
import sys
from datetime import UTC, datetime
from steelyard.store import open_records
from steelyard.store.kept import NewVisit
from host.store import invented
from steelyard.strength.profile_file import ready_profile
from steelyard.strength.session_analysis import SessionFacts

place, who, first, count = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
heron, found = ready_profile("heron"), invented.session()
with open_records(place, operator=who) as records:
    print("ready", flush=True)
    for number in range(first, first + count):
        code = f"{who}-{number}"
        records.clients.add(code, "n" * 3000)
        visit = records.visits.log(NewVisit(code, "heron", datetime(2026, 1, 2, tzinfo=UTC)))
        file = invented.recording(number, f"/nowhere/{code}")
        file = file.__class__(file.path, code, file.sha256, file.size_bytes)
        records.results.file(visit.visit_id, found, heron, SessionFacts(), file, [])
        print(code, flush=True)
"""


def writer(place: str, who: str, first: int, count: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, place, who, str(first), str(count)],
        stdout=subprocess.PIPE, text=True, env=environment(),
    )  # fmt: skip


@pytest.mark.slow
def test_killed_at_any_moment_what_was_acknowledged_is_there_and_whole(place: str) -> None:
    source = random.Random(11)
    open_records(place, operator="AB").close()
    acknowledged: list[str] = []
    for turn in range(KILLS):
        process = writer(place, "AB", 1 + turn * 1000, 900)
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        acknowledged.append(process.stdout.readline().strip())  # however slow this computer is
        time.sleep(source.uniform(0.0, 0.5))
        process.send_signal(signal.SIGKILL)
        rest, _ = process.communicate()
        acknowledged += rest.split()
        with open_records(place, operator="CD") as records:
            checked = records.check()
            lines = records.clients.list()
            visits = records.visits.list()
            results = sum(visit.results_total for visit in visits)
            # one audit entry for each change that was kept, and none for one that was not
            assert checked.entries_total == len(lines) + len(visits) + results
            assert set(acknowledged) <= {line.code for line in lines}
            assert len(acknowledged) <= results


@pytest.mark.slow
def test_operators_in_four_processes_open_at_once_and_lose_nothing(place: str) -> None:
    processes = [writer(place, who, 1, 12) for who in ("A", "B", "C", "D")]
    for process in processes:
        output, _ = process.communicate(timeout=120)
        assert process.returncode == 0
        assert len(output.split()) == 13
    with open_records(place, operator="AB") as records:
        assert len(records.clients.list()) == 48
        assert records.check().entries_total == 3 * 48


@pytest.mark.slow
def test_a_process_killed_while_it_copies_leaves_no_half_copy(tmp_path: Path) -> None:
    code = (
        "import sys\n"
        "from steelyard.store import open_records\n"
        "with open_records(sys.argv[1], operator='AB') as records:\n"
        "    print('ready', flush=True)\n"
        "    while True: records.copies.make()\n"
    )
    with open_records(tmp_path, operator="AB") as records:
        for number in range(1, 60):
            records.clients.add(f"C-{number}", "n" * 20_000)
    source = random.Random(5)
    for _ in range(max(3, KILLS // 2)):
        process = subprocess.Popen(
            [sys.executable, "-c", code, str(tmp_path)],
            stdout=subprocess.PIPE, text=True, env=environment(),
        )  # fmt: skip
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        time.sleep(source.uniform(0.0, 0.3))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        with open_records(tmp_path) as records:
            found = records.copies.list()
            for copy in found:
                copies.require_sound(copy.path)
            records.check()
