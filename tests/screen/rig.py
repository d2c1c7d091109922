"""The real server in a process of its own, as a person starts it, and who visits it."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import BrowserContext, Page, Route

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or ""
BROWSER_WORDS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
START_SECONDS = 120.0
LIVE_DISPLAY = "#stage:not(.stale) #headline"


@dataclass
class Server:
    """`steelyard screen` as a person starts it; ``folder`` outlives a restart."""

    folder: Path
    words: tuple[str, ...] = ()
    number: int = 0
    lines: list[str] = field(default_factory=list)
    process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        self.lines.clear()
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "steelyard.cli", "screen", "--no-browser"),
                *("--folder", str(self.folder), "--number", str(self.number), *self.words),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        end = time.monotonic() + START_SECONDS
        assert self.process.stdout is not None
        while time.monotonic() < end and not self._told_everything():
            line = self.process.stdout.readline()
            assert line, f"the server ended: {self.lines}"
            self.lines.append(line.rstrip())
        found = re.search(r":(\d+)/", self.lines[0])
        assert found is not None
        self.number = int(found[1])

    def _told_everything(self) -> bool:
        wanted = 3 if "--pair-here" in self.words else 2
        return len(self.lines) >= wanted

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.number}"

    @property
    def code(self) -> str:
        """The operator's code that it printed."""
        return self.lines[-1].rpartition(" ")[2]

    def crash(self) -> None:
        """As a power cut would do it, to this process alone."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            assert self.process.stdout is not None
            self.process.stdout.close()
            self.process = None

    def stop(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
            assert self.process.stdout is not None
            self.process.stdout.close()
            self.process = None


@contextmanager
def served(folder: Path, *words: str) -> Iterator[Server]:
    """One that runs inside the block, and is stopped after it whatever happened."""
    server = Server(folder, words)
    try:
        server.start()
        yield server
    finally:
        server.stop()


def wait_live(page: Page, seconds: float = 60.0) -> None:
    """Until the client's display on this page shows the present."""
    page.locator(LIVE_DISPLAY).wait_for(timeout=1000 * seconds)


def a_folder(calibrated: Path, made: Path) -> Path:
    made.mkdir(parents=True, exist_ok=True)
    shutil.copytree(calibrated, made / "rehearsal", dirs_exist_ok=True)
    return made


@dataclass
class Visitor:
    """A browser of its own: own cookies, own storage.  ``troubles``: what its console said."""

    context: BrowserContext
    troubles: list[str] = field(default_factory=list)

    def open(self, address: str) -> Page:
        page = self.context.new_page()
        page.on("pageerror", lambda error: self.troubles.append(str(error)))
        page.on(
            "console",
            lambda said: self.troubles.append(said.text) if said.type == "error" else None,
        )
        page.goto(address)
        return page

    def judge(self, route: Route) -> None:
        """Whatever goes out to another host is refused and remembered as a trouble."""
        host = re.sub(r"^\w+://([^/:]+).*", r"\1", route.request.url)
        if host in {"127.0.0.1", "localhost"} or route.request.url.startswith("data:"):
            route.continue_()
        else:
            self.troubles.append(f"asked for {route.request.url}")
            route.abort()
