"""The running server and a real browser, once for all tests of the screens."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("nicegui")
pytest.importorskip("playwright.sync_api")

from playwright.sync_api import Browser, sync_playwright
from screen.rig import BROWSER_WORDS, CHROMIUM, Server, Visitor, a_folder, served


@pytest.fixture(scope="session")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the virtual machine's calibration, made once."""
    from steelyard.cli.rehearsal import VirtualMachine

    folder = tmp_path_factory.mktemp("screens") / "rehearsal"
    folder.mkdir()
    VirtualMachine("heron", "steady").calibrated(folder)
    return folder


@pytest.fixture(scope="session")
def server(calibrated: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A rehearsal on this computer, which trusts browsers here."""
    folder = a_folder(calibrated, tmp_path_factory.mktemp("served"))
    with served(folder, "--rehearse", "steady") as running:
        yield running


@pytest.fixture(scope="module")
def guarded(calibrated: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """The same, but every browser has to be paired; its first code serves once, so one a module."""
    folder = a_folder(calibrated, tmp_path_factory.mktemp("guarded"))
    with served(folder, "--rehearse", "steady", "--pair-here") as running:
        yield running


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    if not CHROMIUM:
        pytest.skip("Chromium is not installed")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(
            executable_path=CHROMIUM, args=list(BROWSER_WORDS), headless=True
        )
        yield running
        running.close()


@pytest.fixture
def visitor(browser: Browser) -> Iterator[Visitor]:
    context = browser.new_context(viewport={"width": 1180, "height": 820})
    one = Visitor(context)
    context.route("**/*", one.judge)
    yield one
    context.close()


@pytest.fixture(autouse=True)
def without_the_browsers_loop(request: pytest.FixtureRequest) -> Iterator[None]:
    """The browser's library leaves its event loop set in this thread; others need their own."""
    if "browser" in request.fixturenames:
        yield
        return
    loop = asyncio._get_running_loop()
    asyncio._set_running_loop(None)
    yield
    asyncio._set_running_loop(loop)
