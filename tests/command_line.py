"""The command line in this process: what a command prints, and its exit code.

The whole of it, with the error messages of ``main``; starting a Python for each of some hundred
commands would cost minutes.  What is about processes (signals, pipes, a terminal) starts one.
"""

from __future__ import annotations

import io
import os
import sys
from contextlib import chdir, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

from steelyard.cli import main

ROOT = Path(__file__).resolve().parents[1]


@dataclass(frozen=True)
class Done:
    """A command that has ended."""

    returncode: int
    stdout: str
    stderr: str


def run(*words: str, given: str = "", folder: Path | None = None) -> Done:
    """Run ``steelyard`` with these words in ``folder``; ``given`` is typed into it."""
    printed, errors = _stream(), _stream()
    with (
        chdir(folder or Path.cwd()),
        redirect_stdout(printed),
        redirect_stderr(errors),
        mock.patch.object(sys, "stdin", _stream(given)),
        mock.patch.object(sys, "argv", ["steelyard", *words]),
    ):
        try:
            main()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
    return Done(code, _text(printed), _text(errors))


def environment() -> dict[str, str]:
    """For a process of its own that imports from this checkout."""
    paths = os.pathsep.join(str(ROOT / part) for part in ("host", "protocol", "tests"))
    return {**os.environ, "PYTHONPATH": paths, "PYTHONUTF8": "1"}


def _stream(text: str = "") -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(text.encode()), encoding="utf-8", write_through=True)


def _text(stream: io.TextIOWrapper) -> str:
    stream.flush()
    buffer = stream.buffer
    assert isinstance(buffer, io.BytesIO)
    return buffer.getvalue().decode().replace(os.linesep, "\n")
