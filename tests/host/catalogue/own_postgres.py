"""A PostgreSQL of the tests' own: Debian's programs, a temporary folder, a Unix socket."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

PROGRAMS = max(Path("/usr/lib/postgresql").glob("*/bin"), default=None)
NEEDS = (
    "PostgreSQL is not installed (Debian: apt install postgresql)"
    if PROGRAMS is None
    else "PostgreSQL does not run as root, and runuser is missing"
    if os.name == "posix" and os.geteuid() == 0 and shutil.which("runuser") is None
    else ""
)
"""Why no server can be started here; empty when one can."""


@contextmanager
def postgres() -> Iterator[str]:
    """The URL of an empty database."""
    assert PROGRAMS is not None
    folder = Path(tempfile.mkdtemp(prefix="steelyard-pg-", dir="/tmp"))
    as_user: list[str] = []
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres")
        as_user = ["runuser", "-u", "postgres", "--"]
    data, control = folder / "data", [*as_user, str(PROGRAMS / "pg_ctl")]
    options = f"-c listen_addresses= -c fsync=off -k {folder}"

    def run(*words: str) -> None:
        # Not into a pipe: the server that pg_ctl starts keeps its output open.
        subprocess.run(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)

    try:
        initdb = str(PROGRAMS / "initdb")
        run(*as_user, initdb, "-D", str(data), "-U", "steelyard", "-A", "trust", "--no-sync")
        run(*control, "-D", str(data), "-w", "-l", str(folder / "log"), "-o", options, "start")
        try:
            yield f"postgresql+psycopg://steelyard@/postgres?host={folder}"
        finally:
            run(*control, "-D", str(data), "-w", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
