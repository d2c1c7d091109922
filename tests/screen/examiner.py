"""Has axe-core examine a page as it stands, for people who see, hear or move otherwise."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page

AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
GRAVE = frozenset({"serious", "critical"})


def findings(page: Page, grave_only: bool = True) -> list[str]:
    """Every finding of axe-core's rules: gravity, rule, and the elements concerned.

    Fails where axe-core is not installed: `npm ci` in this folder, as tools/test.py does.
    """
    if not AXE.exists():
        pytest.fail("axe-core is not installed: run tools/test.py, or `npm ci` in tests/screen")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert found["passes"], "axe-core examined nothing"
    return [
        f"{one['impact']} {one['id']}: {node['html'][:160]} {node['failureSummary'][:300]}"
        for one in found["violations"]
        for node in one["nodes"]
        if not grave_only or one["impact"] in GRAVE
    ]
