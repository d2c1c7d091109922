"""One short recorded session for all tests of this folder, and the world's columns as others."""

from __future__ import annotations

from pathlib import Path

import pytest
from host.report.sessions import ONE_TEST_SECONDS, record_session
from steelyard.report.recorded_analysis import RecordedAnalysis, analyse_recording


@pytest.fixture(scope="session")
def session_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sweeps and two isometric efforts, recorded through the whole virtual box."""
    return record_session(tmp_path_factory.mktemp("session") / "monday.steelyard", ONE_TEST_SECONDS)


@pytest.fixture(scope="session")
def analysed(session_path: Path) -> RecordedAnalysis:
    return analyse_recording(session_path)
