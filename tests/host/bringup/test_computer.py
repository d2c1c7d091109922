"""Port permissions, udev rule and ModemManager, on a made-up file system."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from steelyard.bringup import PortFacts, Severity, check_computer, port_facts

RULES = Path(__file__).resolve().parents[3] / "hardware" / "70-steelyard.rules"

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="only Linux has udev rules"
)


def make_root(tmp_path: Path, *, rule: str = "", process: str = "") -> Path:
    device = tmp_path / "dev" / "ttyACM0"
    device.parent.mkdir()
    device.touch()
    for name, text in (("1", "init"), ("77", process)):
        folder = tmp_path / "proc" / name
        folder.mkdir(parents=True)
        (folder / "comm").write_text(f"{text}\n", encoding="utf-8")
    if rule:
        rules = tmp_path / "etc" / "udev" / "rules.d"
        rules.mkdir(parents=True)
        (rules / "70-steelyard.rules").write_text(rule, encoding="utf-8")
    return tmp_path


def found_codes(facts: PortFacts) -> list[str]:
    return [item.code for item in check_computer(facts)]


def test_all_in_order_with_our_own_rule(tmp_path: Path) -> None:
    rule = RULES.read_text(encoding="utf-8")
    facts = port_facts("/dev/ttyACM0", make_root(tmp_path, rule=rule, process="ModemManager"))
    assert facts.exists
    assert facts.accessible
    assert facts.rule_installed
    assert facts.modem_manager_runs
    assert found_codes(facts) == []


def test_modem_manager_without_a_rule_is_a_warning(tmp_path: Path) -> None:
    facts = port_facts("/dev/ttyACM0", make_root(tmp_path, process="ModemManager"))
    found = check_computer(facts)
    assert [item.code for item in found] == ["modem_manager"]
    assert found[0].severity is Severity.WARNING
    assert "70-steelyard.rules" in found[0].advice


def test_a_rule_for_other_boards_does_not_count(tmp_path: Path) -> None:
    other = 'ATTRS{idVendor}=="1234", ENV{ID_MM_DEVICE_IGNORE}="1"\n'
    facts = port_facts("/dev/ttyACM0", make_root(tmp_path, rule=other))
    assert found_codes(facts) == ["udev_rule_missing"]


def test_a_port_that_may_not_be_opened() -> None:
    facts = PortFacts(
        "/dev/ttyACM0",
        applies=True,
        exists=True,
        accessible=False,
        owner_group="dialout",
        user="technician",
        rule_installed=True,
    )
    found = check_computer(facts)
    assert [item.code for item in found] == ["port_access"]
    assert found[0].severity is Severity.FAULT
    assert "usermod -aG dialout" in found[0].advice


@pytest.mark.parametrize("port", ["sim:heron", "socket://127.0.0.1:5000", "COM3"])
def test_other_ports_have_nothing_to_check(port: str) -> None:
    assert found_codes(port_facts(port)) == []


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    facts = port_facts("/dev/ttyACM9", make_root(tmp_path))
    assert not facts.exists
    assert found_codes(facts) == []
