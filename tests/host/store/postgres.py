"""A PostgreSQL server of the tests' own: Debian's package, a folder in /tmp, a Unix socket."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

OPTIONS = "-c listen_addresses= -c fsync=off -c max_connections=40 -c log_min_messages=fatal"
"""No network; without fsync, since nothing here has to survive a power cut."""


def server_programs() -> Path | None:
    """Folder with initdb and pg_ctl, or None."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if found:
        return found[-1].parent
    other = shutil.which("initdb")
    return Path(other).parent if other else None


def why_not() -> str:
    """Why no server can be started here; empty when one can."""
    if not hasattr(os, "geteuid"):
        return "not a POSIX system"
    if server_programs() is None:
        return "PostgreSQL is not installed (Debian: apt install postgresql)"
    if os.geteuid() == 0 and shutil.which("runuser") is None:
        return "PostgreSQL does not run as root, and runuser is missing"
    return ""


@contextmanager
def running_server() -> Iterator[str]:
    """Start a server; gives a URL without database name; stops and removes it at the end."""
    programs = server_programs()
    assert programs is not None
    folder = Path(tempfile.mkdtemp(prefix="steelyard-pg-", dir="/tmp"))
    as_user: list[str] = []
    if os.geteuid() == 0:  # PostgreSQL refuses to run as root
        user = _other_user()
        os.chown(folder, user.pw_uid, user.pw_gid)
        as_user = ["runuser", "-u", user.pw_name, "--"]
    data = folder / "data"
    try:
        _run(
            *as_user, programs / "initdb", "-D", data, "-U", "steelyard", "-A", "trust",
            "-E", "UTF8", "--locale=C.UTF-8", "--no-sync",
        )  # fmt: skip
        control = [*as_user, programs / "pg_ctl", "-D", data, "-w"]
        _run(*control, "-l", folder / "log", "-o", f"{OPTIONS} -k {folder}", "start")
        try:
            yield f"postgresql://steelyard@/{{}}?host={folder}"
        finally:
            _run(*control, "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _other_user() -> pwd.struct_passwd:
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    raise RuntimeError("no user to run PostgreSQL as")


def _run(*words: object) -> None:
    """Into a file, not a pipe: the server that pg_ctl starts keeps its output open."""
    with tempfile.TemporaryFile("w+") as output:
        done = subprocess.run(
            [str(word) for word in words],
            stdout=output,
            stderr=subprocess.STDOUT,
            cwd="/tmp",
            timeout=120,
            check=False,
        )
        output.seek(0)
        if done.returncode:
            raise RuntimeError(f"{words[-1]}: {output.read()}")
