"""A box for all tests of live distribution."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from host.publish.paced_boxes import PacedBoxes


@pytest.fixture
def box() -> Iterator[PacedBoxes]:
    """One box at 300 samples a second."""
    boxes = PacedBoxes(1, 300, 0.005)
    yield boxes
    boxes.close()
