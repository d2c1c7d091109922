"""A press is never lost, whatever happens to the button meanwhile; a stop least of all."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect
from screen.rig import Server, Visitor

pytestmark = pytest.mark.xdist_group("screen")


def manner(page: Page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()
    expect(page.get_by_role("button", name=name, exact=True, pressed=True)).to_be_visible()


def test_a_button_drawn_anew_under_the_finger_is_pressed_all_the_same(
    server: Server, visitor: Visitor
) -> None:
    page, other = visitor.open(server.address), visitor.open(server.address)
    expect(page.locator(".live-badge")).to_have_text("LIVE")
    under_finger = page.get_by_role("button", name="rushed", exact=True)
    before = under_finger.element_handle()
    assert before is not None
    under_finger.hover()
    page.mouse.down()
    manner(other, "weak")  # draws the part anew on every page
    page.wait_for_function("(one) => !one.isConnected", arg=before)
    page.mouse.up()
    expect(page.get_by_role("button", name="rushed", exact=True, pressed=True)).to_be_visible()
    manner(page, "steady")
    assert visitor.troubles == []


def test_a_finger_that_slid_off_the_button_has_not_pressed_it(
    server: Server, visitor: Visitor
) -> None:
    page = visitor.open(server.address)
    expect(page.locator(".live-badge")).to_have_text("LIVE")
    page.get_by_role("button", name="rushed", exact=True).hover()
    page.mouse.down()
    page.mouse.move(5, 500)
    page.mouse.up()
    page.wait_for_timeout(700)
    expect(page.get_by_role("button", name="steady", exact=True, pressed=True)).to_be_visible()


def test_what_was_entered_while_its_field_was_drawn_anew_is_kept(
    server: Server, visitor: Visitor
) -> None:
    page, other = visitor.open(f"{server.address}/calibrate"), visitor.open(server.address)
    note = page.get_by_label("Note")
    before = note.get_attribute("data-entry")
    page.wait_for_function("window.did_handshake")
    other.get_by_label("Initials").fill("ZZ")
    other.get_by_role("button", name="Sign on", exact=True).click()
    expect(note).not_to_have_attribute("data-entry", str(before))
    # As if it had been entered in the moment before.
    page.evaluate("field => window.emitEvent('entered', { field, value: 'a cold day' })", before)
    page.wait_for_timeout(300)
    page.reload()
    expect(note).to_have_value("a cold day")


def test_a_refusal_covers_nothing_and_is_past_with_the_next_press(
    server: Server, visitor: Visitor
) -> None:
    page = visitor.open(server.address)
    page.set_viewport_size({"width": 390, "height": 600})
    expect(page.locator(".live-badge")).to_have_text("LIVE")
    page.get_by_label("Initials").fill("")
    page.get_by_role("button", name="Sign on", exact=True).click()
    expect(page.locator("#told")).to_contain_text("No initials were typed")
    page.evaluate("scrollTo(0, document.documentElement.scrollHeight)")
    covered = page.evaluate(
        "[...document.querySelectorAll('.sheet')].at(-1).getBoundingClientRect().bottom"
        " - document.querySelector('#told > div').getBoundingClientRect().top"
    )
    assert covered < 0
    manner(page, "weak")
    expect(page.locator("#told")).to_be_empty()
    manner(page, "steady")


def test_a_stop_arrives_from_a_page_that_is_left_at_once(server: Server, visitor: Visitor) -> None:
    page = visitor.open(server.address)
    expect(page.locator(".live-badge")).to_have_text("LIVE")
    page.evaluate("document.querySelector('[data-key=stop]').click(); location.href = '/box'")
    page.wait_for_url("**/box")
    expect(page.get_by_text("STOP was pressed")).to_be_visible()
    page.get_by_role("link", name="Go on from there: Today", exact=True).click()
    expect(page.get_by_text("STOP was pressed")).to_be_visible()
    page.get_by_role("button", name="All is well: go on", exact=True).click()
    expect(page.get_by_text("STOP was pressed")).to_have_count(0)


def test_a_stop_that_does_not_arrive_is_told_and_tried_again(
    server: Server, visitor: Visitor
) -> None:
    page = visitor.open(server.address)
    expect(page.locator(".live-badge")).to_have_text("LIVE")
    page.route("**/stop", lambda route: route.abort())
    page.get_by_role("button", name="STOP", exact=True).click()
    expect(page.locator("#told")).to_contain_text("STOP has not reached the server")
    page.unroute("**/stop")
    expect(page.get_by_text("STOP was pressed")).to_be_visible()
    page.get_by_role("button", name="All is well: go on", exact=True).click()
    expect(page.get_by_text("STOP was pressed")).to_have_count(0)
