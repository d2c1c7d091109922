from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(scope="session")
def wire() -> ModuleType:
    """The device codec, loaded as the plain file it is on the device."""
    path = Path(__file__).resolve().parents[2] / "firmware" / "box" / "wire.py"
    spec = importlib.util.spec_from_file_location("device_wire", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
