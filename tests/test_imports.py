"""Dependencies point one way: this walks every import and says where one does not."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
HOST = ROOT / "host" / "steelyard"
PROTOCOL = ROOT / "protocol" / "steelyard_protocol"

LAYERS = [
    {"errors", "__init__"},
    {"wiring", "printed"},
    {"time_sync"},
    {"transport"},
    {"device"},
    {"install"},
    {"recording"},
    {"bringup"},
    {"calibration"},
    {"certificate"},
    {"strength"},
    {"store"},
    {"report"},
    {"guidance"},
    {"publish"},
    {"catalogue"},
    {"screen"},
    {"cli"},
]
"""A part may import from its own layer and those before it."""

PURE = ("calibration", "guidance", "strength", "time_sync")
"""Mathematics: no ports, no threads, no subprocesses."""

PROTOCOL_MAY_IMPORT = {"construct", "numpy"}
NUMPY_IN_PROTOCOL = {"bulk.py", "column_work.py", "columns.py", "frame_rows.py", "tables.py"}
ONLY_SIMULATOR = {"box", "drivers", "board"}


def imported_modules(path: Path) -> list[str]:
    """Full names of all modules that a file imports, relative imports resolved."""
    package = list(path.relative_to(ROOT).with_suffix("").parts[1:])
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: -node.level] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            names += [f"{module}.{alias.name}" for alias in node.names]
    return names


def host_files() -> list[Path]:
    return sorted(HOST.rglob("*.py"))


def part_of(path: Path) -> str:
    parts = path.relative_to(HOST).parts
    return parts[0] if len(parts) > 1 else Path(parts[0]).stem


def layer_of(part: str) -> int | None:
    return next((number for number, layer in enumerate(LAYERS) if part in layer), None)


@pytest.mark.parametrize("path", host_files(), ids=lambda path: str(path.relative_to(HOST)))
def test_the_host_imports_downwards_only(path: Path) -> None:
    part = part_of(path)
    if part == "simulator":
        return
    own = layer_of(part)
    assert own is not None, f"{part} has no layer"
    for name in imported_modules(path):
        words = name.split(".")
        if words[0] == "steelyard" and len(words) > 1:
            used = layer_of(words[1])
            if words[1] == "simulator":
                allowed = part in {"cli", "transport"}  # the port sim:, and the demonstrations
                assert allowed, f"{path}: only cli and transport may reach the simulator"
            elif used is not None:
                assert used <= own, f"{path}: {part} imports {name}, which stands above it"


@pytest.mark.parametrize("path", host_files(), ids=lambda path: str(path.relative_to(HOST)))
def test_only_the_simulator_imports_firmware_and_only_cli_prints(path: Path) -> None:
    part = part_of(path)
    if part != "simulator":
        used = {name.split(".")[0] for name in imported_modules(path)}
        assert not used & ONLY_SIMULATOR, path
    if part != "cli":
        tree = ast.parse(path.read_text(encoding="utf-8"))
        calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
        assert not [c for c in calls if isinstance(c, ast.Name) and c.id == "print"], path


@pytest.mark.parametrize(
    "path",
    [path for path in host_files() if part_of(path) in PURE],
    ids=lambda path: str(path.relative_to(HOST)),
)
def test_mathematics_does_no_input_or_output(path: Path) -> None:
    forbidden = {"serial", "socket", "threading", "subprocess", "select"}
    assert not {name.split(".")[0] for name in imported_modules(path)} & forbidden


@pytest.mark.parametrize(
    "path", sorted(PROTOCOL.rglob("*.py")), ids=lambda path: str(path.relative_to(PROTOCOL))
)
def test_the_protocol_stands_alone(path: Path) -> None:
    import sys

    for name in imported_modules(path):
        top = name.split(".")[0]
        if top in {"steelyard_protocol", "__future__"} or top in sys.stdlib_module_names:
            continue
        assert top in PROTOCOL_MAY_IMPORT, f"{path} imports {name}"
        if top == "numpy":
            assert path.name in NUMPY_IN_PROTOCOL, f"{path} imports numpy"


@pytest.mark.parametrize(
    "path",
    sorted((ROOT / "firmware").rglob("*.py")),
    ids=lambda path: str(path.relative_to(ROOT / "firmware")),
)
def test_only_main_and_port_drivers_touch_the_microcontroller(path: Path) -> None:
    used = {name.split(".")[0] for name in imported_modules(path)}
    hardware = used & {"machine", "rp2"}
    if path.relative_to(ROOT / "firmware").parts[0] == "box":
        assert not hardware, f"{path}: box/ must run without hardware"
    elif path.name not in {"main.py", "duty.py", "hx711_pio.py", "quadrature_pio.py"}:
        assert not hardware, f"{path}: hardware is passed in by board.build"
