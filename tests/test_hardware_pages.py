"""The build guide holds together: links, figures, cautions, and the rule for Linux."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from steelyard.simulator.machine_model import HERON, WREN
from steelyard.transport.serial_list import BOARD_VENDOR_IDS
from steelyard.wiring import BridgeFault, Cell, Demand, choose_sensor, identify_bridge

ROOT = Path(__file__).resolve().parents[1]
HARDWARE = ROOT / "hardware"
PAGES = sorted(HARDWARE.glob("*.md"))
RULES = HARDWARE / "70-steelyard.rules"


def text_of(name: str) -> str:
    return (HARDWARE / name).read_text(encoding="utf-8")


def words_of(name: str) -> str:
    """The page as one line, so that a line break does not hide a phrase."""
    return " ".join(text_of(name).split())


def anchors(text: str) -> set[str]:
    titles = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


def test_all_pages_are_there_and_read_from_the_first() -> None:
    names = {path.name for path in PAGES}
    assert names >= {
        "README.md",
        "BILL_OF_MATERIALS.md",
        "WIRING.md",
        "SENSORS.md",
        "OLD_MACHINES.md",
        "MOUNTING.md",
        "SAFETY.md",
        "ESP32.md",
    }
    linked = set(re.findall(r"\]\(([\w.-]+)", text_of("README.md")))
    assert linked >= (names | {RULES.name}) - {"README.md"}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
        name, _, anchor = target.partition("#")
        path = page.parent / name if name else page
        assert path.exists(), f"{page.name}: {target}"
        if anchor:
            assert anchor in anchors(path.read_text(encoding="utf-8")), f"{page.name}: {target}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_on_the_pages_exist(page: Path) -> None:
    from steelyard.cli.commands import steelyard

    commands = set(steelyard.list_commands(None))  # type: ignore[arg-type]
    for command in re.findall(r"`(?:\n)?steelyard (\w+)", page.read_text(encoding="utf-8")):
        assert command in commands, command


@pytest.mark.parametrize(
    "page", [path for path in PAGES if path.name != "WIRING.md"], ids=lambda page: page.name
)
def test_lines_are_short_enough_to_read(page: Path) -> None:
    for line in page.read_text(encoding="utf-8").splitlines():
        assert len(line) <= 110 or line.startswith("|"), line


def test_the_worked_example_is_what_the_calculator_gives() -> None:
    rows = re.findall(r"^\| \**([^|*]+?)\** \| ([^|]+) \| ([^|]+) \|$", text_of("SENSORS.md"), re.M)
    table = {name: (heron, wren) for name, heron, wren in rows}
    choices = (
        choose_sensor(Demand(400.0, HERON.cell_arm_m)),
        choose_sensor(Demand(50.0, WREN.cell_arm_m)),
    )
    for column, choice in enumerate(choices):
        demand = choice.demand
        expected = {
            "greatest torque": f"{demand.torque_newton_metres:g} N·m",
            "arm": f"{demand.arm_metres:.2f} m",
            "force, with shocks": f"{demand.force_newtons:.0f} N, {demand.needed_newtons:.0f} N",
            "cell": f"**{choice.cell.rated_newtons:g} N**",
            "counts per N·m": f"{choice.counts_per_newton_metre:.0f}",
            "noise of one conversion (5 V, 80 a second)": (
                f"{choice.noise_newton_metres:.2g} N·m RMS"
            ),
            "noise of the mean of one second": (f"{choice.second_noise_newton_metres:.2g} N·m RMS"),
            "converter full at": f"{choice.saturation_newton_metres:.0f} N·m",
        }
        for name, words in expected.items():
            assert table[name][column] == words, name


def test_other_figures_of_the_sensor_page() -> None:
    page = words_of("SENSORS.md")
    assert f"noise rises to {Cell(2000.0, excitation_volts=3.2).noise_counts:.0f} counts" in page
    assert f"{Cell(2000.0).noise_counts:.1f} counts" in page
    # Wiper loaded by 100 kΩ: x / (1 + x (1 - x) / 10) against x; worst near two thirds.
    worst = max(x - x / (1.0 + x * (1.0 - x) / 10.0) for x in (i / 1000 for i in range(1001)))
    assert f"{worst:.1%}".replace("%", " %") in page


def test_the_readings_shown_as_an_example_are_a_sound_bridge() -> None:
    command = re.search(r"steelyard bridge ([\d. ]+)`", text_of("OLD_MACHINES.md"))
    assert command
    found = identify_bridge([float(word) for word in command[1].split()])
    assert [item.fault for item in found.explanations] == [BridgeFault.NONE]


@pytest.mark.parametrize(
    ("page", "phrases"),
    [
        ("README.md", ["not a medical device", "SAFETY.md"]),
        (
            "SAFETY.md",
            [
                "licensed electrician",
                "Pin out, stack down",
                "Pinch points",
                "licensed professionals",
                "not a medical device",
                "falling weight",
                "Local codes",
                "overloaded",
            ],
        ),
        ("OLD_MACHINES.md", ["Unplug the machine from the mains", "at the box only", "3.63 V"]),
        ("ESP32.md", ["Nothing here was tried"]),
        ("MOUNTING.md", ["Drill nothing that carries load"]),
        ("WIRING.md", ["Unplug everything before you wire", "3.3 V rule"]),
    ],
)
def test_the_cautions_are_there(page: str, phrases: list[str]) -> None:
    text = words_of(page).lower()
    for phrase in phrases:
        assert phrase.lower() in text, phrase


def test_the_rule_is_for_our_boards_and_well_formed() -> None:
    lines = [line for line in RULES.read_text(encoding="utf-8").splitlines() if line]
    rules = [line for line in lines if not line.startswith("#")]
    assert len(rules) == 4
    term = r'[A-Z]+(\{\w+\})?(==|!=|=|\+=)"[^"]*"'
    for line in rules:
        assert re.fullmatch(rf"{term}(, {term})*", line), line
    vendor = f"{next(iter(BOARD_VENDOR_IDS)):04x}"
    for line in rules[1:3]:
        assert f'{{idVendor}}=="{vendor}"' in line
        assert 'ENV{ID_MM_DEVICE_IGNORE}="1"' in line
    assert 'TAG+="uaccess"' in rules[2]
    assert RULES.name < "73-seat-late.rules"  # the tag works in an earlier file only
