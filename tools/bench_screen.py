"""The screens in a real browser: how fresh, how smooth, and whether memory stays.

Part of ``python tools/bench.py screen``.  The server is `steelyard screen` with the virtual Heron
in real time; the browser is Chromium, drawing in software.  A sample's age is taken by the page
itself, from its time stamp to the moment after the frame that shows it was painted.

``STEELYARD_SCREEN_MINUTES`` is for how long memory is watched after the buffers have filled:
3 by default, 480 for a working day.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests"))

CLIENTS = 4
SETTLE_SECONDS = 15
"""Pages that have just loaded share the computer with their own start."""
WATCHED_SECONDS = 30
FILL_SECONDS = 90
"""Longer than the 45 s of points and 70 s of figures that are kept."""
MINUTES = float(os.environ.get("STEELYARD_SCREEN_MINUTES", "3"))


@dataclass
class Watch:
    """Pages that are open on a running server."""

    server: Any
    pages: list[Any]

    def figures(self, seconds: float) -> list[dict[str, float]]:
        """What each page measured by itself in so many seconds."""
        for page in self.pages:
            page.evaluate("steelyardFigures.forget()")
        self.pages[0].wait_for_timeout(1000 * seconds)
        return [page.evaluate("steelyardFigures.summary()") for page in self.pages]

    def latencies_ms(self) -> list[float]:
        """Every sample on every page since it last forgot."""
        return sorted(
            at for page in self.pages for at in page.evaluate("steelyardFigures.latencies")
        )

    def memory_mb(self) -> tuple[float, float]:
        """Of the pages (JavaScript's heap after a collection) and of the server's processes."""
        heap = 0.0
        for page in self.pages:
            session = page.context.new_cdp_session(page)
            session.send("HeapProfiler.collectGarbage")
            metrics = session.send("Performance.enable") or session.send("Performance.getMetrics")
            heap += next(
                one["value"] for one in metrics["metrics"] if one["name"] == "JSHeapUsedSize"
            )
            session.detach()
        return heap / 1e6, sum(resident_mb(one) for one in self._processes())

    def _processes(self) -> list[int]:
        first = int(self.server.process.pid)
        children = Path(f"/proc/{first}/task/{first}/children").read_text().split()
        return [first, *map(int, children)]


def resident_mb(process_id: int) -> float:
    """Resident memory by the kernel's count."""
    for line in Path(f"/proc/{process_id}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    return 0.0


@contextmanager
def watching(folder: Path) -> Iterator[Watch]:
    """The server, and four displays on it."""
    from playwright.sync_api import sync_playwright
    from screen.rig import BROWSER_WORDS, CHROMIUM, START_SECONDS, served, wait_live

    with served(folder, "--rehearse", "steady") as server, sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=list(BROWSER_WORDS), headless=True
        )
        pages = []
        for _ in range(CLIENTS):
            context = browser.new_context(viewport={"width": 1280, "height": 720})
            page = context.new_page()
            page.goto(f"{server.address}/display")
            wait_live(page, START_SECONDS)
            pages.append(page)
        yield Watch(server, pages)
        browser.close()


def measure(report: Any) -> bool:
    """All figures; True when each is met."""
    with tempfile.TemporaryDirectory() as folder, watching(Path(folder)) as watch:
        watch.pages[0].wait_for_timeout(1000 * SETTLE_SECONDS)
        told = watch.figures(WATCHED_SECONDS)
        ages_ms = watch.latencies_ms()
        median_ms, p99_ms = ages_ms[len(ages_ms) // 2], ages_ms[int(0.99 * len(ages_ms))]
        frames = min(one["framesPerSecond"] for one in told)
        load = f"{len(ages_ms)} samples on {CLIENTS} displays, load {os.getloadavg()[0]:.1f}"
        met = [
            report("screen, median age", 60 / median_ms, 1, f"{median_ms:.0f} ms of 60; {load}"),
            report("screen, p99 age", 150 / p99_ms, 1, f"{p99_ms:.0f} ms of 150"),
            report("screen, frames", frames / 30, 1, f"{frames:.0f} a second of 30"),
        ]
        watch.pages[0].wait_for_timeout(1000 * FILL_SECONDS)
        pages_before, server_before = watch.memory_mb()
        watch.pages[0].wait_for_timeout(60_000 * MINUTES)
        pages_after, server_after = watch.memory_mb()
        for name, before, after in (
            ("pages", pages_before, pages_after),
            ("server", server_before, server_after),
        ):
            detail = f"{before:.1f} to {after:.1f} MB in {MINUTES:g} min"
            met.append(report(f"screen, memory of {name}", 1.1 * before / after, 1, detail))
    return all(met)
