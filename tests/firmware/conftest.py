"""Puts the firmware on the import path and gives each test a box of its own."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

_FIRMWARE = str(Path(__file__).parents[2] / "firmware")
if _FIRMWARE not in sys.path:
    sys.path.append(_FIRMWARE)

if TYPE_CHECKING:
    from firmware.rig import Rig


@pytest.fixture
def rig() -> Rig:
    """A box that has introduced itself; its output so far is thrown away."""
    from firmware.rig import Rig  # needs the path set above

    rig = Rig()
    rig.run_ms(150)
    rig.take()
    return rig


@pytest.fixture
def make_rig() -> Callable[..., Rig]:
    """Make a box that has not run yet."""
    from firmware.rig import Rig  # needs the path set above

    return Rig
