"""A visit from pairing to the report, in two real browsers, on the real programs.

The virtual Heron runs in real time; ``STEELYARD_VISIT_SPEED`` lets its clock run faster (2 is
sound on a computer with a core to spare).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from screen.examiner import findings
from screen.pictures import take
from screen.practice import (
    Client,
    Operator,
    balance,
    check_restraint,
    check_weight,
    lift,
    measure_strength,
)
from screen.rig import Server, Visitor, a_folder, served
from steelyard.calibration.history import Act
from steelyard.calibration.register import find_registers

pytestmark = [pytest.mark.xdist_group("screen"), pytest.mark.long]

SPEED = os.environ.get("STEELYARD_VISIT_SPEED", "1")
STATIONS = (0, 30, 60)
NOTE = "<img src=x onerror=\"document.title='taken over'\">"
RUSHED, SLIPPING = 3, 6
CHECK_KG = 20.0


@dataclass
class Visited:
    """A visit that is over, and what was seen on the way."""

    operator: Operator
    display: Page
    server: Server
    code: str
    check_error: str
    stations: list[list[str]]
    repetitions: list[list[str]]
    grave: list[str]
    visitors: tuple[Visitor, Visitor]

    @property
    def recording(self) -> Path:
        (path,) = (self.server.folder / "recordings").glob("*.steelyard")
        return path

    def command(self, *words: str) -> str:
        told = subprocess.run(
            [sys.executable, "-m", "steelyard.cli", *words],
            capture_output=True,
            text=True,
            check=False,
        )
        assert told.returncode == 0, told.stderr
        return told.stdout


@pytest.fixture(scope="module")
def heron(calibrated: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """The virtual machine at the port, its client waiting for orders; every browser is paired."""
    folder = a_folder(calibrated, tmp_path_factory.mktemp("visit"))
    (calibration,) = (folder / "rehearsal").rglob("*.calibration.json")
    script = folder / "orders.txt"
    script.touch()
    port = f"sim:heron?client=steady&seed=1&gravity=9.81&task=guided&script={script}&speed={SPEED}"
    words = ("--port", port, "--calibration", str(calibration), "--pair-here")
    with served(folder, *words) as running:
        yield running


def come(
    browser: Browser, server: Server, code: str, width: int, height: int
) -> tuple[Visitor, Page]:
    """A browser of its own, paired with a code, with no way to any other host."""
    context = browser.new_context(viewport={"width": width, "height": height})
    visitor = Visitor(context)
    context.route("**/*", visitor.judge)
    page = visitor.open(server.address)
    page.get_by_label("Code").fill(code)
    page.get_by_role("button", name="Pair").click()
    page.wait_for_url(lambda address: not address.endswith("/pair"), timeout=60_000)
    return visitor, page


@pytest.fixture(scope="module")
def visited(heron: Server, browser: Browser) -> Iterator[Visited]:
    """The whole visit, once for all tests of this file."""
    tablet, page = come(browser, heron, heron.code, 1180, 820)
    operator, client = Operator(page, heron.address), Client(heron.folder / "orders.txt")
    operator.go("/screens")
    operator.press("Code for displays")
    code = page.locator(".code").first.inner_text(timeout=60_000).replace(" ", "")
    wall, display = come(browser, heron, code, 1920, 1080)
    operator.sign_on("AB")
    check_error = check_weight(operator, client, CHECK_KG)
    grave = findings(page)
    take(page, "weight-checked")
    client_code = operator.take_a_new_client(NOTE)
    for path in ("/", "/box", "/screens", "/client"):
        operator.go(path)
        take(page, f"page-{path[1:] or 'today'}")
    operator.begin()
    grave += findings(page)
    take(page, "visit-begun")
    check_restraint(operator, client)
    operator.next_step()
    balance(operator, client)
    grave += findings(page) + findings(display)
    take(page, "balance-done")
    operator.next_step()
    take(page, "cautions")
    stations = measure_strength(operator, client, STATIONS)
    grave += findings(page)
    take(page, "isometric-done")
    operator.next_step()
    take(page, "set-ready")
    repetitions = lift(operator, client, f"set 8 {RUSHED}=rushed {SLIPPING}=slipping")
    grave += findings(page) + findings(display)
    take(page, "set-done")
    take(display, "display-set-done")
    operator.press("End the visit")
    page.wait_for_url("**/review/*", timeout=60_000)
    page.get_by_role("heading", name="Figures").wait_for(timeout=60_000)
    grave += findings(page)
    take(page, "review")
    told = (client_code, check_error, stations, repetitions, grave)
    yield Visited(operator, display, heron, *told, (tablet, wall))
    tablet.context.close()
    wall.context.close()


def test_the_check_weight_is_in_the_history_of_the_calibration(visited: Visited) -> None:
    (register,) = find_registers(visited.server.folder / "calibrations")
    entry = register.history().entries[-1]
    assert (entry.act, entry.by) == (Act.CHECKED, "AB")
    load = entry.content["load"]
    assert load["mass_kg"] == CHECK_KG
    assert abs(load["error"]) <= load["expanded_uncertainty"]
    shown = f"{load['error']:+.3f} ± {load['expanded_uncertainty']:.3f} {entry.content['unit']}"
    assert visited.check_error == shown


def test_the_figures_on_the_page_are_those_of_the_command_line(visited: Visited) -> None:
    told = visited.command("analyse", str(visited.recording))
    shown = visited.operator.page.locator(".lines p").all_text_contents()
    assert len(shown) > 20
    missing = [line for line in shown if line.strip() and line.strip() not in told]
    assert missing == []


def test_the_report_is_the_one_of_the_command_line(visited: Visited, tmp_path: Path) -> None:
    page = visited.operator.page
    with page.expect_download(timeout=120_000) as coming:
        visited.operator.press("Report for the clinician")
    paper = tmp_path / "page.pdf"
    coming.value.save_as(paper)
    assert paper.read_bytes().startswith(b"%PDF-")
    visited.command("report", str(visited.recording), "-o", str(tmp_path))
    (ours,) = tmp_path.glob("*.result.json")
    (theirs,) = (visited.server.folder / "reports").glob("*.result.json")
    assert json.loads(theirs.read_text()) == json.loads(ours.read_text())
    text = subprocess.run(
        ["pdftotext", "-layout", paper, "-"], check=True, capture_output=True, text=True
    )
    assert visited.code in text.stdout


def test_three_stations_were_measured_and_each_is_in_the_analysis(visited: Visited) -> None:
    assert [row[0] for row in visited.stations] == [f"{at}°" for at in STATIONS]
    told = visited.command("analyse", str(visited.recording))
    for station, _, best, *_ in visited.stations:
        assert best != "–", visited.stations
        assert best in told, f"{station}: the page said {best}\n{told}"


def test_of_eight_repetitions_one_is_too_fast_and_one_slips(visited: Visited) -> None:
    assert [row[0] for row in visited.repetitions] == [str(number) for number in range(1, 9)]
    faulty = {row[0]: row[-1] for row in visited.repetitions if row[-1] != "good"}
    assert set(faulty) == {str(RUSHED), str(SLIPPING)}, faulty
    review = visited.operator.page.locator("button.flag").all_text_contents()
    assert any(f"repetition {RUSHED}" in one for one in review)
    assert any(f"repetition {SLIPPING}" in one for one in review)


def test_a_flag_shows_its_place_on_the_trace(visited: Visited) -> None:
    page = visited.operator.page
    flag = page.locator("button.flag", has_text=f"repetition {RUSHED}").first
    at_seconds = float(flag.inner_text().split(" ")[0])
    flag.click()
    page.wait_for_timeout(1500)
    first, last = page.evaluate(
        "(() => { const box = document.querySelector('.nicegui-echart'); const drawn = "
        "getElement(box.id.slice(1)).chart; const zoom = drawn.getOption().dataZoom[0];"
        " return [zoom.startValue, zoom.endValue]; })()"
    )
    assert first <= at_seconds <= last
    assert last - first < 40


def test_nothing_grave_for_anybody_on_the_way(visited: Visited) -> None:
    assert visited.grave == []


def test_the_note_stayed_text_and_no_other_host_was_asked(visited: Visited) -> None:
    assert visited.operator.page.title() != "taken over"
    assert [visitor.troubles for visitor in visited.visitors] == [[], []]


def test_the_recording_is_whole(visited: Visited) -> None:
    visited.command("validate", str(visited.recording))


def test_the_display_shows_nothing_of_who_it_is(visited: Visited) -> None:
    said = visited.display.locator("body").inner_text()
    assert visited.code not in said
    assert "AB" not in said.split()
