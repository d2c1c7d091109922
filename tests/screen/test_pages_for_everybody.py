"""axe-core finds nothing serious on any page, in light and dark, and would find it if it were."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import pytest
from playwright.sync_api import Browser, Page
from screen.examiner import findings
from screen.rig import Server, Visitor

pytestmark = pytest.mark.xdist_group("screen")

Theme = Literal["light", "dark"]
THEMES: tuple[Theme, ...] = ("light", "dark")
OPERATOR_PAGES = (
    *("/", "/client", "/weight", "/visit", "/recordings", "/calibrate", "/box", "/screens"),
    *("/client/C-001/visits", "/review/none", "/nothing-here"),
)


@pytest.fixture(scope="module", params=THEMES)
def seen_in(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Page]:
    """A tablet's page in one theme."""
    context = browser.new_context(
        viewport={"width": 820, "height": 1180},
        color_scheme=request.param,
        reduced_motion="reduce",
    )
    yield Visitor(context).open("about:blank")
    context.close()


@pytest.mark.parametrize("path", OPERATOR_PAGES)
def test_operator_pages(server: Server, seen_in: Page, path: str) -> None:
    seen_in.goto(f"{server.address}{path}")
    seen_in.get_by_role("heading", level=1).wait_for(timeout=60_000)
    assert findings(seen_in) == []


@pytest.mark.parametrize("path", ["/display", "/pair"])
def test_display_and_pairing_have_no_finding_at_all(
    server: Server, seen_in: Page, path: str
) -> None:
    seen_in.goto(f"{server.address}{path}")
    seen_in.get_by_role("heading", level=1).wait_for(timeout=60_000)
    assert findings(seen_in, grave_only=False) == []


def test_the_theme_is_the_one_the_browser_asks_for(server: Server, seen_in: Page) -> None:
    seen_in.goto(f"{server.address}/pair")
    dark = seen_in.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    red, green, blue = seen_in.evaluate(
        "getComputedStyle(document.body).backgroundColor.match(/[\\d.]+/g).slice(0, 3).map(Number)"
    )
    assert (red + green + blue < 3 * 128) is dark


def test_the_examiner_sees_what_is_wrong(server: Server, seen_in: Page) -> None:
    seen_in.goto(f"{server.address}/pair")
    seen_in.evaluate("document.querySelectorAll('label').forEach((label) => label.remove())")
    assert any("label" in one for one in findings(seen_in))
