"""Fixtures that the recording tests share."""

from __future__ import annotations

from pathlib import Path

import pytest
from host.recording.ideal_box import FrameSource, RecordingMaker, VirtualClock


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def source() -> FrameSource:
    return FrameSource()


@pytest.fixture
def maker(tmp_path: Path) -> RecordingMaker:
    return RecordingMaker(tmp_path)
