"""Table and picture say what board.py says, and nothing crosses or is left out."""

from __future__ import annotations

import re
from itertools import combinations, pairwise, product
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.errors import SteelyardError
from steelyard.simulator.firmware_image import load_firmware
from steelyard.wiring.board_facts import BOARD_FILE, PHYSICAL_PINS, read_board_facts
from steelyard.wiring.wiring_drawing import _lanes, _Line, render_wiring_svg
from steelyard.wiring.wiring_page import check_pages, render_wiring_page, write_pages
from steelyard.wiring.wiring_parts import (
    RAIL_PINS,
    alternatives,
    wiring_parts,
)

ROOT = Path(__file__).resolve().parents[3]
SVG = "{http://www.w3.org/2000/svg}"


def changed_board(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    source = (ROOT / BOARD_FILE).read_text(encoding="utf-8")
    for pattern, replacement in changes:
        source, count = re.subn(pattern, replacement, source, count=1, flags=re.MULTILINE)
        assert count == 1, pattern
    path = tmp_path / BOARD_FILE
    path.parent.mkdir()
    path.write_text(source, encoding="utf-8")
    return tmp_path


def test_the_facts_are_those_that_the_firmware_runs_with() -> None:
    """The same constants once read as text, once by running the firmware in the simulator."""
    assert read_board_facts(ROOT).load_pins == load_firmware().load_pins


def test_each_pin_of_the_board_has_one_name() -> None:
    """40-pin RP2040 board; the numbers are from memory of its pin-out page."""
    rails = [pin for pins in RAIL_PINS.values() for pin in pins]
    used = [*PHYSICAL_PINS.values(), *rails]
    assert len(set(used)) == len(used) == 36
    assert set(range(1, 41)) - set(used) == {30, 37, 39, 40}  # RUN, 3V3_EN, VSYS, VBUS


def test_the_page_names_every_connection() -> None:
    page = render_wiring_page(ROOT)
    facts = read_board_facts(ROOT)
    others = (part for place in facts.angles for part in alternatives(place, facts))
    for part in (*wiring_parts(facts), *others):
        assert f"### {part.title}\n" in page
        for terminal in part.terminals:
            assert f"| {terminal.label} | {terminal.board_words} |" in page
    for pin, user in facts.pins():
        if pin in PHYSICAL_PINS:
            assert f"| {PHYSICAL_PINS[pin]} | GP{pin} | {user} |" in page


def test_the_pages_in_the_project_are_fresh() -> None:
    assert check_pages(ROOT) == []


def test_a_changed_board_makes_the_pages_stale(tmp_path: Path) -> None:
    root = changed_board(tmp_path, (r"^BUTTON_PIN = \d+", "BUTTON_PIN = 22"))
    assert [path.name for path in write_pages(root)] == ["WIRING.md", "wiring.svg"]
    assert check_pages(root) == []
    page = (root / "hardware" / "WIRING.md").read_text(encoding="utf-8")
    assert "GP22 (pin 29)" in page
    (root / "hardware" / "wiring.svg").write_text("old", encoding="utf-8")
    assert check_pages(root) == ["hardware/wiring.svg is stale; run tools/generate.py"]


def test_pins_that_the_drawing_does_not_know_are_still_shown(tmp_path: Path) -> None:
    root = changed_board(
        tmp_path, (r"^BUTTON_PIN", "SIREN_PINS = (10, 11)  # very loud\nBUTTON_PIN")
    )
    assert "GP10 (pin 14)" in render_wiring_page(root)
    drawing = render_wiring_svg(root)
    assert "Siren" in drawing
    assert "14  GP10" in drawing


@pytest.mark.parametrize(
    ("place", "sensor", "words", "before"),
    [
        ("ROLLER", "quadrature", "Roller encoder", "Roller potentiometer"),
        ("ROLLER", "as5600", "Roller angle sensor", "Roller potentiometer"),
        ("ARM", "quadrature", "Arm encoder", "Arm angle sensor"),
        ("ARM", "potentiometer", "Arm potentiometer", "Arm angle sensor"),
    ],
)
def test_another_angle_sensor_is_drawn(
    tmp_path: Path, place: str, sensor: str, words: str, before: str
) -> None:
    change = (rf'^{place}_SENSOR = "\w+"', f'{place}_SENSOR = "{sensor}"')
    root = changed_board(tmp_path, change)
    drawing = render_wiring_svg(root)
    assert words in drawing
    assert before not in drawing
    assert before in render_wiring_page(root)


@pytest.mark.parametrize(
    ("pattern", "replacement", "words"),
    [
        (r"^BUTTON_PIN = \d+", "BUTTON_PIN = 2", "GP2 for both"),
        (r"^BUTTON_PIN = \d+", "BUTTON_PIN = 29", "does not bring out"),
        (r"^BUTTON_PIN = \d+", "OTHER = 3", "no whole number BUTTON_PIN"),
        (r"^LOAD_PINS = .*$", "LOAD_PINS = (2, 3, 4)", "LOAD_PINS"),
        (r'^ROLLER_SENSOR = "\w+"', 'ROLLER_SENSOR = "sundial"', "ROLLER_SENSOR"),
        (r'^ARM_SENSOR = "\w+"', 'ARM_SENSOR = "quadrant"', "ARM_SENSOR"),
        (
            r'^ARM_SENSOR = "\w+"\nROLLER_SENSOR = "\w+"',
            'ARM_SENSOR = "quadrature"\nROLLER_SENSOR = "quadrature"',
            "GP6 for both",
        ),
        (r"^BUTTON_PIN = \d+", "BUTTON_PIN = = 3", "cannot be read"),
    ],
)
def test_a_board_that_cannot_be_wired_is_refused(
    tmp_path: Path, pattern: str, replacement: str, words: str
) -> None:
    with pytest.raises(SteelyardError, match=re.escape(words)):
        read_board_facts(changed_board(tmp_path, (pattern, replacement)))


def test_no_board_at_all(tmp_path: Path) -> None:
    with pytest.raises(SteelyardError, match="cannot be read"):
        render_wiring_page(tmp_path)


@pytest.mark.parametrize(
    ("arm", "roller"),
    [
        (arm, roller)
        for arm, roller in product(("potentiometer", "quadrature", "as5600"), repeat=2)
        if (arm, roller) != ("quadrature", "quadrature")
    ],
)
def test_each_signal_line_ends_at_its_own_pin_and_no_two_cross(
    tmp_path: Path, arm: str, roller: str
) -> None:
    root = changed_board(
        tmp_path,
        (r'^ARM_SENSOR = "\w+"', f'ARM_SENSOR = "{arm}"'),
        (r'^ROLLER_SENSOR = "\w+"', f'ROLLER_SENSOR = "{roller}"'),
    )
    tree = ElementTree.fromstring(render_wiring_svg(root))
    courses = [
        path.attrib["d"]
        for path in tree.iter(f"{SVG}path")
        if path.attrib.get("stroke-width") == "2.5"
    ]
    pins = [pin for pin, _ in read_board_facts(root).pins() if pin in PHYSICAL_PINS]
    assert len(courses) == len(pins)
    lines = [_segments(course) for course in courses]
    assert len({line[-1][1] for line in lines}) == len(pins)  # as many ends
    for one, other in combinations(lines, 2):
        assert not any(_cross(a, b) for a in one for b in other)


Point = tuple[float, float]


def _segments(course: str) -> list[tuple[Point, Point]]:
    start, first, down, last = re.fullmatch(
        r"M([\d.,]+) H([\d.]+) V([\d.]+) H([\d.]+)", course
    ).groups()  # type: ignore[union-attr]
    x, y = (float(part) for part in start.split(","))
    points = [(x, y), (float(first), y), (float(first), float(down)), (float(last), float(down))]
    return list(pairwise(points))


def _cross(a: tuple[Point, Point], b: tuple[Point, Point]) -> bool:
    """Whether two upright or level segments share a point."""
    return all(
        max(min(a[0][axis], a[1][axis]), min(b[0][axis], b[1][axis]))
        <= min(max(a[0][axis], a[1][axis]), max(b[0][axis], b[1][axis]))
        for axis in (0, 1)
    )


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(0, 400)), min_size=1, max_size=8))
def test_lanes_never_let_lines_cross(ends: list[tuple[int, int]]) -> None:
    """Lines in the same order at both ends, at least as far apart as the lanes."""
    starts = sorted({start for start, _ in ends})
    stops = sorted({stop for _, stop in ends})
    pairs = list(zip(starts, stops, strict=False))
    lines = [_Line(2.0 * start, 2.0 * stop + 1.0, left=True) for start, stop in pairs]
    lanes = _lanes(lines)
    drawn = [
        _segments(f"M0,{line.start_y} H{500 - 10 * lane} V{line.end_y} H600")
        for line, lane in zip(lines, lanes, strict=True)
    ]
    for one, other in combinations(drawn, 2):
        assert not any(_cross(a, b) for a in one for b in other)
