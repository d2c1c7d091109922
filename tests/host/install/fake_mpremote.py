"""Stands in for mpremote: a board that is a folder, and the ways in which a real one fails.

    fake_mpremote.py FOLDER FAULT connect PORT COMMAND ...

Code to execute really runs, in FOLDER, with what MicroPython has and CPython
has not.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import sys
import types
from pathlib import Path

SAYS = {
    "busy": "mpremote: failed to access PORT (it may be in use by another program)",
    "absent": "mpremote: failed to access PORT",
    "no permission": "PermissionError: [Errno 13] Permission denied: 'PORT'",
    "no micropython": "mpremote: could not enter raw repl",
    "full": "mpremote: cp: OSError: [Errno 28] ENOSPC: No space left on device.",
}
BOARD_ID = bytes.fromhex(os.environ.get("FAKE_BOARD_ID", "0011223344556677"))


def execute(code: str, implementation: str, minor: int) -> str:
    machine = types.ModuleType("machine")
    machine.unique_id = lambda: BOARD_ID  # type: ignore[attr-defined]
    board_sys = types.ModuleType("sys")
    board_sys.implementation = (implementation, (1, minor, 0, ""))  # type: ignore[attr-defined]
    board_sys.platform = "rp2"  # type: ignore[attr-defined]
    printed = io.StringIO()
    kept = sys.modules["sys"]
    sys.modules["machine"] = machine
    sys.modules["sys"] = board_sys
    try:
        with contextlib.redirect_stdout(printed):
            exec(compile(code, "board", "exec"), {})
    finally:
        sys.modules["sys"] = kept
    return printed.getvalue()


def copy(sources: list[str], fault: str) -> None:
    for source in map(Path, sources):
        if source.is_dir():
            shutil.copytree(source, source.name, dirs_exist_ok=True)
        else:
            shutil.copyfile(source, source.name)
    if fault == "flipped bit" and any(Path(source).name == "box" for source in sources):
        data = bytearray(Path("box/wire.py").read_bytes())
        data[100] ^= 1
        Path("box/wire.py").write_bytes(data)


def main() -> int:
    folder, fault, connect, port, command, *words = sys.argv[1:]
    os.chdir(folder)
    with Path("log.txt").open("a") as log:
        log.write(f"{connect} {command} {' '.join(words[:2])[:40]!r}\n")
    if fault in SAYS and not (fault == "full" and command != "fs"):
        sys.stderr.write(SAYS[fault].replace("PORT", port) + "\n")
        return 1
    if command == "exec":
        if fault == "nonsense":
            sys.stdout.write("\x00\x01 what?\n")
        else:
            name = "circuitry" if fault == "another python" else "micropython"
            minor = 19 if fault == "old" else 28
            sys.stdout.write(execute(words[0], name, minor))
    elif words[:1] == ["cp"]:
        copy(words[2:-1], fault)
    elif words[:1] == ["cat"]:
        name = words[1].removeprefix(":")
        if not Path(name).exists():
            sys.stderr.write(f"mpremote: cat: {name}: ENOENT.\n")
            return 1
        sys.stdout.write(Path(name).read_text())
    return 0


if __name__ == "__main__":
    sys.exit(main())
