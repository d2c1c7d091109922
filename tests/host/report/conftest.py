"""The recorded session, analysed once for all tests of this folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from steelyard.report.recorded_analysis import RecordedAnalysis, analyse_recording


@pytest.fixture(scope="session")
def analysed(session_path: Path) -> RecordedAnalysis:
    return analyse_recording(session_path)
