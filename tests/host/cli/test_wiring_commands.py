"""The commands of the person who builds and wires a box."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from command_line import run
from host.cli.test_commands import FAST, assert_plain_error, readings
from pytest_mock import MockerFixture
from steelyard.bringup import PortFacts
from steelyard.cli.checkup import checkup
from steelyard.errors import PortAccessError

BENCH = f"sim:heron?{FAST}&task=weights"


@pytest.mark.parametrize("name", ["bridge", "wiper", "choose", "checkup"])
def test_every_command_explains_itself(name: str) -> None:
    done = run(name, "--help")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Usage:")


def test_bridge_names_the_wires() -> None:
    done = run(
        *("bridge", "297", "420", "298", "297", "350", "299"),
        *("--wires", "red,green,black,white"),
    )
    assert done.returncode == 0, done.stderr
    assert "red and black. Signal (A+, A-): green and white" in done.stdout
    plain = json.loads(run("bridge", *["262", "350", "263", "262", "351", "262"], "--json").stdout)
    assert plain["sound"]
    assert plain["explanations"][0]["excitation"] is None
    assert plain["explanations"][0]["nominal_ohms"] == 350


def test_bridge_asks_when_nothing_is_given() -> None:
    done = run("bridge", given="350\n700\n1050\n350\n700\n350\n")
    assert done.returncode == 3
    assert "Unplug the machine" in done.stdout
    assert "broken arm between 1 and 4" in done.stdout


def test_bridge_with_a_cut_wire_as_json() -> None:
    done = run("bridge", "OL", "350", "262", "open", "open", "263", "--json")
    assert done.returncode == 3
    found = json.loads(done.stdout)
    assert found["explanations"][0]["fault"] == "wire_cut"
    assert found["explanations"][0]["at"] == ["2"]
    assert found["readings"][0] == {"wires": ["1", "2"], "ohms": None, "open": True}


def test_wiper_from_arguments_and_by_asking() -> None:
    done = run("wiper", "4k", "10k", "6k", "7k", "10k", "3k")
    assert done.returncode == 0
    assert "Wiper: 2. Ends of the track: 1 and 3." in done.stdout
    asked = run("wiper", "--json", given="10k\nopen\nopen\n10k\nopen\nopen\n")
    assert asked.returncode == 3
    found = json.loads(asked.stdout[asked.stdout.index("{") :])
    assert found["explanations"][0]["fault"] == "wiper_open"


def test_choose_gives_the_cell_and_warns() -> None:
    done = run("choose", "--torque", "400", "--arm", "0.30")
    assert done.returncode == 0
    assert "2000 N (204 kg)" in done.stdout
    assert "WARNING" not in done.stdout
    small = json.loads(
        run("choose", "--torque", "400", "--arm", "0.3", "--rated", "200", "--json").stdout
    )
    assert any("TOO SMALL" in text for text in small["warnings"])


def test_checkup_of_a_sound_box() -> None:
    done = run("checkup", "-p", BENCH, "-s", "5", "--hands-off", "--cell", "0:2000:2")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "checkup: all is well" in done.stdout
    assert "N RMS (expected 0.018 (assumed: 2000 N, 2 mV/V))" in done.stdout
    assert "left out: push test" in done.stdout


def test_checkup_states_noise_by_a_calibration(tmp_path: Path) -> None:
    table = tmp_path / "readings.csv"
    table.write_text(readings(sensitivity=2000.0), encoding="utf-8")
    words = ("--readings", str(table), "-p", BENCH, "--json")
    made = json.loads(run("calibrate", *words, folder=tmp_path).stdout)
    stored = str(tmp_path / made["path"])
    done = run("checkup", "-p", BENCH, "-s", "3", "-c", stored, "--json")
    assert done.returncode == 0, done.stderr
    noise = {
        item["unit"]: item["value"]
        for item in json.loads(done.stdout)["measured"]
        if item["channel"] == 0 and item["name"] == "noise"
    }
    assert noise["N RMS"] == pytest.approx(noise["counts RMS"] / 2000.0, rel=1e-3)


def test_checkup_without_a_terminal_asks_nobody() -> None:
    done = run("checkup", "-p", BENCH, "-s", "3", "--json")
    assert done.returncode == 0
    result = json.loads(done.stdout)
    assert result["sound"]
    assert result["skipped"]


def test_checkup_says_what_is_wrong_and_exits_with_three() -> None:
    done = run("checkup", "-p", f"{BENCH}&faults=magnet_weak@0,data_low.1@3", "-s", "5")
    assert done.returncode == 3
    assert "FAULT channel 2 (arm angle)" in done.stdout
    assert done.stdout.count("what to do:") == 2
    assert "checkup: 2 faults, 0 warnings" in done.stdout
    found = json.loads(
        run("checkup", "-p", f"{BENCH}&faults=magnet_weak@0", "-s", "3", "--json").stdout
    )
    assert [(item["code"], item["severity"]) for item in found["findings"]] == [
        ("magnet_weak", "fault")
    ]


def test_checkup_guided_by_keyboard() -> None:
    """Nobody pushes the virtual machine: the push and the sweep say so; the last is left out."""
    done = run("checkup", "-p", BENCH, "-s", "3", "--guided", "--json", given="\n\n\n\ns\n")
    assert done.returncode == 3
    result = json.loads(done.stdout)
    assert [(item["code"], item["channel"]) for item in result["findings"]] == [
        ("no_response", 0),
        ("no_response", 1),
        ("no_movement", 2),
    ]
    assert result["skipped"] == ["move on channel 3"]
    assert "Fingers away from the" in done.stderr


def test_a_port_that_may_not_be_opened_is_explained(mocker: MockerFixture) -> None:
    refused = PortAccessError("This user may not open /dev/ttyACM0.", "Ask for it.")
    mocker.patch("steelyard.cli.checkup.Box.open", side_effect=refused)
    facts = PortFacts("/dev/ttyACM0", True, exists=True, owner_group="dialout", user="technician")
    mocker.patch("steelyard.cli.checkup.port_facts", return_value=facts)
    done = CliRunner().invoke(checkup, ["-p", "/dev/ttyACM0"])
    assert done.exception is refused
    assert "usermod -aG dialout" in done.output


@pytest.mark.parametrize(
    ("words", "expected", "code"),
    [
        (("bridge", "1", "2"), "takes six", 2),
        (("bridge", "1", "2", "3", "4", "5", "volts"), "no resistance", 1),
        (("bridge", "1", "2", "3", "4", "5", "-6"), "'-6' is no resistance", 1),
        (("bridge", "1", "2", "3", "4", "5", ""), "'' is no resistance", 1),
        (("bridge", "--wires", "a,b"), "four names", 2),
        (("wiper", "1", "2"), "takes three", 2),
        (("wiper", "1", "2", "-3"), "'-3' is no resistance", 1),
        (("choose", "--torque", "400", "--arm", "300"), "metres, not millimetres", 1),
        (("checkup", "-p", BENCH, "--cell", "zero"), "0:2000:2", 2),
        (("checkup", "-p", "/dev/no-such-port"), "no serial port", 1),
    ],
)
def test_mistakes_get_plain_answers(words: tuple[str, ...], expected: str, code: int) -> None:
    assert_plain_error(run(*words), expected, code=code)
