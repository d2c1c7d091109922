"""All operator pages by their addresses."""

from __future__ import annotations

from nicegui import ui

from steelyard.screen.pages.bench import Bench
from steelyard.screen.pages.box_page import box_page
from steelyard.screen.pages.calibrate_page import calibrate_page
from steelyard.screen.pages.client_page import client_page
from steelyard.screen.pages.recordings_page import recordings_page
from steelyard.screen.pages.review_page import review_page
from steelyard.screen.pages.screens_page import screens_page
from steelyard.screen.pages.today_page import today_page
from steelyard.screen.pages.visit_page import visit_page
from steelyard.screen.pages.visits_page import visits_page
from steelyard.screen.pages.weight_page import weight_page


def add_pages(bench: Bench) -> None:
    """Register every page with the UI library."""
    for address, build in (
        ("/", today_page),
        ("/client", client_page),
        ("/weight", weight_page),
        ("/visit", visit_page),
        ("/recordings", recordings_page),
        ("/calibrate", calibrate_page),
        ("/box", box_page),
        ("/screens", screens_page),
    ):
        ui.page(address)(lambda build=build: build(bench))

    @ui.page("/client/{code}/visits")
    def visits(code: str) -> None:
        visits_page(bench, code)

    @ui.page("/review/{name}")
    async def review(name: str) -> None:
        await review_page(bench, name)
