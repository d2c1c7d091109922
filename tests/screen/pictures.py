"""Pictures of a page at every size and in both themes, for somebody to look at.

``STEELYARD_PICTURES=FOLDER .venv/bin/python -m pytest tests/screen/test_whole_visit.py`` leaves
them in FOLDER; without the variable nothing is drawn.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final, Literal

from playwright.sync_api import Page

FOLDER: Final = os.environ.get("STEELYARD_PICTURES", "")
SIZES: Final = {
    "phone": (390, 844),
    "tablet-upright": (820, 1180),
    "tablet": (1180, 820),
    "tv": (1920, 1080),
}
THEMES: Final[tuple[Literal["light", "dark"], ...]] = ("light", "dark")
SETTLE_MS: Final = 500


def take(page: Page, name: str) -> None:
    """Every size and theme of what the page shows now; the page is then as it was."""
    if not FOLDER:
        return
    before = page.viewport_size
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        for theme in THEMES:
            page.emulate_media(color_scheme=theme)
            page.wait_for_timeout(SETTLE_MS)
            page.screenshot(path=Path(FOLDER) / f"{name}-{size}-{theme}.png")
    page.emulate_media(color_scheme=None)
    if before is not None:
        page.set_viewport_size(before)


def sideways(page: Page) -> int:
    """By how many pixels the page can be pushed sideways on a phone: 0 when it fits."""
    before = page.viewport_size
    page.set_viewport_size({"width": 390, "height": 844})
    page.wait_for_timeout(SETTLE_MS)
    found: int = page.evaluate(
        "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    if before is not None:
        page.set_viewport_size(before)
    return found
