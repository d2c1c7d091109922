"""One recorded session for all tests that only read one: half a minute of simulated pins."""

from __future__ import annotations

from pathlib import Path

import pytest
from host.report.sessions import ONE_TEST_SECONDS, record_session


@pytest.fixture(scope="session")
def session_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sweeps and two isometric efforts, recorded through the whole virtual box."""
    return record_session(tmp_path_factory.mktemp("session") / "monday.steelyard", ONE_TEST_SECONDS)
