"""What the firmware may import, and that its limits in size hold."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

_FIRMWARE = Path(__file__).parents[2] / "firmware"
_FILES = sorted(_FIRMWARE.rglob("*.py"))
_HARDWARE = {"machine", "rp2"}
_MAY_IMPORT = {
    "box": {"box", "binascii", "struct", "micropython"},
    "drivers": {"box", "drivers"},
    ".": {"box", "drivers", "board", "struct", "os", "gc", "select", "sys", "time"}
    | {"machine", "micropython"},
}


def _imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(str(node.module).split(".")[0])
    return names


@pytest.mark.parametrize("path", _FILES, ids=lambda path: path.relative_to(_FIRMWARE).as_posix())
def test_imports(path: Path) -> None:
    folder = path.parent.relative_to(_FIRMWARE).as_posix()
    imported = _imported(path)
    assert imported <= _MAY_IMPORT[folder]
    if path.name != "main.py":
        assert not imported & _HARDWARE  # pins, clock and port are handed in


def test_there_is_no_module_level_state_in_the_box() -> None:
    for path in _FILES:
        for node in ast.parse(path.read_text()).body:
            if isinstance(node, ast.Assign):
                for target in node.targets:
                    name = ast.unparse(target)
                    assert name.strip("_").isupper(), f"{path.name}: {name} is not a constant"
