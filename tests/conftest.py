"""What holds for all tests.

What takes minutes of real time runs only when asked for: STEELYARD_LONG=1.
"""

from __future__ import annotations

import os
import signal

import pytest
from hypothesis import HealthCheck, settings

# No test depends on how fast the machine is.
settings.register_profile("steelyard", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("steelyard")


def pytest_configure() -> None:
    """A shell starts what runs in its background deaf to Ctrl-C, and children inherit that."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip what is marked ``long`` unless it was asked for."""
    if os.environ.get("STEELYARD_LONG"):
        return
    for item in items:
        if item.get_closest_marker("long"):
            item.add_marker(pytest.mark.skip(reason="minutes of real time: STEELYARD_LONG=1"))
