"""Check weight and calibration in a real browser, on the virtual Heron, to the end."""

from __future__ import annotations

import json
import re
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from screen.pictures import take
from screen.rig import Server, Visitor, a_folder, served
from steelyard.calibration.history import Act
from steelyard.calibration.quantity import quantity_of
from steelyard.calibration.register import Register, find_registers

pytestmark = [pytest.mark.xdist_group("screen"), pytest.mark.long]

SWING_MS = 5_000
CHECK_STEPS = 3
CALIBRATION_STEPS = 7
"""Without load, three loads up, two down, without load."""


@pytest.fixture(scope="module")
def bench(calibrated: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server of its own: what is put in force here is nobody else's."""
    folder = a_folder(calibrated, tmp_path_factory.mktemp("bench"))
    with served(folder, "--rehearse", "steady") as running:
        yield running


@pytest.fixture(autouse=True)
def patience() -> None:
    expect.set_options(timeout=60_000)


def register_of(server: Server) -> Register:
    kept = next((server.folder / "rehearsal").glob("heron-*/"))
    return next(find_registers(kept))


def stream_metadata(server: Server) -> dict[str, Any]:
    """What the process that holds the box tells everybody now."""
    seat = json.loads((server.folder / "recorder-seat.json").read_text(encoding="utf-8"))
    with socket.create_connection(("127.0.0.1", seat["lines"]), 20.0) as wire:
        for line in wire.makefile(encoding="utf-8"):
            message: dict[str, Any] = json.loads(line)
            if message["type"] == "metadata":
                return message
    raise AssertionError("no metadata came")


def sign_on(page: Page, server: Server) -> None:
    page.goto(server.address)
    page.get_by_label("Initials").fill("AB")
    page.get_by_role("button", name="Sign on", exact=True).click()
    expect(page.get_by_text("AB is signed on.")).to_be_visible()


def at_step(page: Page, number: int, count: int) -> None:
    expect(page.get_by_role("heading", name=f"Step {number} of {count}")).to_be_visible()


def one_key(page: Page) -> None:
    expect(page.locator('[data-key="next"]')).to_be_visible()
    page.locator("h1").click()
    page.keyboard.press("PageDown")


def says(page: Page, name: str, value: str) -> None:
    """The page gives this fact, at the latest when it has caught up with the server."""
    line = page.locator(".facts > div").filter(has_text=re.compile(f"^{name}"))
    expect(line.locator("dd").first).to_have_text(value)


def test_a_check_weight_from_the_first_key_to_the_history(bench: Server, visitor: Visitor) -> None:
    page = visitor.open(bench.address)
    sign_on(page, bench)
    page.goto(f"{bench.address}/weight")
    page.get_by_label("Weight, kg").fill("20")
    page.get_by_role("button", name="Begin the check").click()
    for number in range(1, CHECK_STEPS + 1):
        at_step(page, number, CHECK_STEPS)
        if number == 2:  # a reload loses nothing, and another tab shows the same
            page.reload()
            at_step(page, number, CHECK_STEPS)
            take(page, "weight-hanging")
        one_key(page)
    expect(page.get_by_text("check on this calibration")).to_be_visible()
    take(page, "weight-sound")
    register = register_of(bench)
    entry = register.history().entries[-1]
    assert entry.act is Act.CHECKED
    assert entry.by == "AB"
    load, unit = entry.content["load"], entry.content["unit"]
    assert load["mass_kg"] == 20.0
    shown = f"{load['error']:+.3f} ± {load['expanded_uncertainty']:.3f} {unit}"
    says(page, "error", shown)
    says(page, "indicated", f"{load['indicated']:.2f} {unit}")
    assert abs(load["error"]) <= load["expanded_uncertainty"]
    expect(page.get_by_text("Sound. Take the weight off")).to_be_visible()
    expect(page.locator(".chart svg").first).to_be_visible()
    second = visitor.open(f"{bench.address}/weight")
    expect(second.get_by_text("Sound. Take the weight off")).to_be_visible()
    one_key(page)
    page.wait_for_url(f"{bench.address}/")
    assert visitor.troubles == []


def test_a_calibration_with_a_wrong_weight_to_the_certificate(
    bench: Server, visitor: Visitor
) -> None:
    page = visitor.open(bench.address)
    sign_on(page, bench)
    before = register_of(bench).history().in_force
    page.goto(f"{bench.address}/calibrate")
    page.get_by_label("Loads, kg").fill("20,20+20,20+20+20")
    page.get_by_label("Runs").fill("1")
    page.get_by_label("Greatest load put on before").fill("0")
    page.get_by_label("Or: gravity").fill("9.81")
    page.get_by_role("button", name="Begin the calibration").click()
    for number in range(1, CALIBRATION_STEPS + 1):
        at_step(page, number, CALIBRATION_STEPS)
        if number == 3:
            wrong_weight(page, 25.0)
        one_key(page)
    expect(page.get_by_role("heading", name="As found and as left")).to_be_visible()
    take(page, "calibration-done")
    register = register_of(bench)
    found, put = register.history().entries[-2:]
    assert (found.act, found.calibration_id) == (Act.AS_FOUND, before)
    assert (put.act, put.by) == (Act.IN_FORCE, "AB")
    kept = register.calibration(put.calibration_id)
    quantity = quantity_of(kept)  # type: ignore[arg-type]
    expect(page.get_by_text(f"Calibration {put.calibration_id[:12]} is in force.")).to_be_visible()
    says(page, "sensitivity", f"{quantity.sensitivity:.3f} counts per N")
    half = quantity.budget(quantity.high).expanded_uncertainty
    says(page, "one sample at full load", f"± {half:.2f} N (95 %)")
    worst = max(found.content["loads"], key=lambda x: abs(x["error"]) / x["expanded_uncertainty"])
    expect(page.get_by_text(f"{worst['error']:+.3f} ± ").first).to_be_visible()
    assert str(kept.due_on) in json.dumps(stream_metadata(bench))
    assert told_id(bench) == put.calibration_id
    with page.expect_download(timeout=120_000) as download:
        page.get_by_role("button", name="Certificate (PDF)").click()
    assert download.value.path().read_bytes().startswith(b"%PDF")
    assert visitor.troubles == []


def wrong_weight(page: Page, mass_kg: float) -> None:
    """Hang another mass than asked, see it refused, and hang the right one."""
    page.get_by_label("What hangs now, kg").fill(f"{mass_kg:g}")
    page.get_by_role("button", name="Hang this").click()
    one_key(page)
    expect(page.get_by_text("Not accepted:")).to_be_visible()
    take(page, "calibration-wrong-weight")
    page.get_by_label("What hangs now, kg").fill("40")
    page.get_by_role("button", name="Hang this").click()
    page.wait_for_timeout(SWING_MS)  # as a technician does: what is read is what hangs by now


def told_id(server: Server) -> str:
    """The calibration that the recorder has in force for the load channel."""
    channel = stream_metadata(server)["channels"][0]
    return str(channel["calibration"]["calibration_id"])
