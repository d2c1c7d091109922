"""The operator's pages in a real browser."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect
from screen.practice import take_new_client
from screen.rig import Server, Visitor

pytestmark = pytest.mark.xdist_group("screen")

PLACES = ("/", "/client", "/weight", "/visit", "/recordings", "/calibrate", "/box", "/screens")
expect.set_options(timeout=30_000)


def press(page: Page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()


@pytest.mark.parametrize("place", PLACES)
def test_every_page_comes_up_live_without_other_hosts(
    server: Server, visitor: Visitor, place: str
) -> None:
    page = visitor.open(server.address + place)
    expect(page.locator("h1")).to_have_count(1)
    expect(page.locator(".live-badge")).to_have_text("LIVE")
    expect(page.get_by_role("button", name="STOP", exact=True)).to_be_visible()
    assert visitor.troubles == []


def test_a_phone_shows_where_it_is(server: Server, visitor: Visitor) -> None:
    page = visitor.open(server.address)
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(f"{server.address}/screens")
    expect(page.locator(".places [aria-current]")).to_be_in_viewport(ratio=1)
    expect(page.locator(".places a").first).not_to_be_in_viewport()


def test_a_second_tab_shows_the_same_and_a_reload_loses_nothing(
    server: Server, visitor: Visitor
) -> None:
    first = visitor.open(server.address)
    first.get_by_label("Initials").fill("AB")
    press(first, "Sign on")
    second = visitor.open(server.address)
    expect(second.get_by_text("AB is signed on.")).to_be_visible()
    press(second, "STOP")
    expect(first.get_by_text("STOP was pressed")).to_be_visible()
    first.reload()
    expect(first.get_by_text("STOP was pressed")).to_be_visible()
    press(first, "All is well: go on")
    expect(second.get_by_text("STOP was pressed")).to_have_count(0)


def test_notes_are_text_and_never_markup(server: Server, visitor: Visitor) -> None:
    page = visitor.open(server.address)
    page.get_by_label("Initials").fill("AB")
    press(page, "Sign on")
    expect(page.get_by_text("AB is signed on.")).to_be_visible()
    take_new_client(page, server.address)
    nasty = "<img src=x onerror=alert(1)>{{1+1}}<script>alert(2)</script>"
    page.get_by_label("Cautions").fill(nasty)
    page.on("dialog", lambda dialog: visitor.troubles.append(dialog.message))
    press(page, "Save the entry")
    expect(page.locator(".notice", has_text="onerror")).to_have_text(nasty)
    page.reload()
    expect(page.locator(".notice", has_text="onerror")).to_have_text(nasty)
    assert visitor.troubles == []


def test_the_keyboard_is_enough(server: Server, visitor: Visitor) -> None:
    page = visitor.open(server.address)
    expect(page.locator(".live-badge")).to_have_text("LIVE")
    page.keyboard.press("?")
    expect(page.get_by_role("heading", name="Keys")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.get_by_role("heading", name="Keys")).to_be_hidden()
    page.keyboard.press("PageDown")  # what a foot switch sends: the next thing to do
    page.wait_for_url("**/client")
    expect(page.locator(".live-badge")).to_have_text("LIVE")
    page.keyboard.press("Alt+7")
    page.wait_for_url("**/box")
    expect(page.locator(".live-badge")).to_have_text("LIVE")
    page.keyboard.press("Escape")
    page.goto(server.address)
    expect(page.get_by_text("STOP was pressed")).to_be_visible()
    press(page, "All is well: go on")


def test_who_leaves_signs_off(server: Server, visitor: Visitor) -> None:
    page = visitor.open(server.address)
    page.get_by_label("Initials").fill("AB")
    press(page, "Sign on")
    expect(page.get_by_text("AB is signed on.")).to_be_visible()
    press(page, "Sign off")
    expect(page.get_by_text("Nobody is signed on")).to_be_visible()
    expect(page.get_by_role("button", name="Sign off", exact=True)).to_have_count(0)


def test_refusals_are_told_in_words(server: Server, visitor: Visitor) -> None:
    page = visitor.open(server.address)
    page.get_by_label("Initials").fill("this is no pair of initials but a long text")
    press(page, "Sign on")
    expect(page.locator("#told")).not_to_be_empty()
    assert "Traceback" not in page.content()
