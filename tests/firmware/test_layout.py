"""What the firmware may import, and that its limits in size hold."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

_FIRMWARE = Path(__file__).parents[2] / "firmware"
_FILES = sorted(_FIRMWARE.rglob("*.py"))
_HARDWARE = {"machine", "rp2"}
_MAY_IMPORT = {
    "box": {"box", "array", "binascii", "struct", "micropython"},
    "drivers": {"box", "drivers"},
    ".": {"box", "drivers", "board", "duty", "struct", "os", "gc", "select", "sys", "time"}
    | {"machine", "micropython"},
}
_ON_STATE_MACHINES = {"hx711_pio.py", "quadrature_pio.py"}
"""Assembled when imported, so they need `rp2` there and then; the board does without them."""


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
    if path.name in _ON_STATE_MACHINES:
        imported.remove("rp2")
    assert imported <= _MAY_IMPORT[folder]
    if path.name not in {"main.py", "duty.py"}:
        assert not imported & _HARDWARE  # pins, clock and port are handed in


def test_no_class_has_a_property() -> None:
    """One would make each assignment to an attribute of its objects 26 us dearer on the RP2040."""
    for path in _FILES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ClassDef):
                for item in node.body:
                    assert not (isinstance(item, ast.FunctionDef) and item.decorator_list), path


def test_there_is_no_module_level_state_in_the_box() -> None:
    for path in _FILES:
        for node in ast.parse(path.read_text()).body:
            if isinstance(node, ast.Assign):
                for target in node.targets:
                    name = ast.unparse(target)
                    assert name.strip("_").isupper(), f"{path.name}: {name} is not a constant"


def test_main_and_board_name_the_same_service_pin() -> None:
    # main.py must find its pin even when board.py is what is broken.
    def constant(name: str, file: str) -> int:
        for node in ast.parse((_FIRMWARE / file).read_text()).body:
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == name:
                return int(ast.literal_eval(node.value))
        raise AssertionError(f"{file} does not name {name}")

    assert constant("SERVICE_PIN", "main.py") == constant("SERVICE_PIN", "board.py")


def test_boot_does_nothing_at_all() -> None:
    # It must always return: no statement, no way to fail.
    (only,) = ast.parse((_FIRMWARE / "boot.py").read_text()).body
    assert isinstance(only, ast.Expr)
    assert isinstance(only.value, ast.Constant)
