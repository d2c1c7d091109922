"""Programs that tests use and pip cannot bring: installed where that is this user's right."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

PACKAGES = {
    "chromium": "chromium",
    "gcc": "gcc",
    "mosquitto": "mosquitto",
    "initdb": "postgresql",
    "pdftoppm": "poppler-utils",
    "tmux": "tmux",
}
"""The program that is looked for, and the Debian package that has it."""

OUTSIDE_PATH = ("/usr/sbin", "/usr/lib/postgresql/*/bin")


def _present(program: str) -> bool:
    if shutil.which(program):
        return True
    return any(any(Path("/").glob(f"{folder[1:]}/{program}")) for folder in OUTSIDE_PATH)


def missing() -> list[str]:
    """Debian packages of which the program is not here."""
    return [package for program, package in PACKAGES.items() if not _present(program)]


def ensure() -> None:
    """Install what is missing where this is root on a Debian system; elsewhere only say so.

    Without them the tests that need them are skipped, each with its reason.
    """
    wanted = missing()
    if not wanted:
        return
    words = " ".join(wanted)
    may = shutil.which("apt-get") and hasattr(os, "geteuid") and os.geteuid() == 0
    if not may:
        print(f"some tests will be skipped; on Debian: sudo apt install {words}", flush=True)
        return
    print(f"installing Debian packages for the tests (once): {words} ...", flush=True)
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for command in (
        ["apt-get", "-qq", "update"],
        ["apt-get", "-qq", "-y", "--no-install-recommends", "install", *wanted],
    ):
        done = subprocess.run(command, check=False, env=quiet, stdout=subprocess.DEVNULL)
        if done.returncode:
            print(f"{' '.join(command[:2])} failed: some tests will be skipped", flush=True)
            return
