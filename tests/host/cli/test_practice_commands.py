"""``client``, ``visit`` and ``records`` as a person would use them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from command_line import environment
from steelyard.cli.commands import steelyard as root
from steelyard.errors import SteelyardError


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STEELYARD_RECORDS", str(tmp_path / "practice"))
    monkeypatch.setenv("STEELYARD_OPERATOR", "AB")
    return tmp_path


def call(*words: str, given: str = "") -> Result:
    """In this process; errors of ours are what ``main`` would print."""
    return CliRunner().invoke(root, list(words), input=given)


def done(*words: str, given: str = "") -> str:
    result = call(*words, given=given)
    assert result.exit_code == 0, (result.output, result.exception)
    return result.stdout


def refused(*words: str) -> SteelyardError:
    result = call(*words)
    assert isinstance(result.exception, SteelyardError), (result.output, result.exception)
    assert result.exception.advice
    return result.exception


def test_a_day_at_the_practice(home: Path) -> None:
    assert done("client", "list") == "no clients yet\n"
    assert done("visit", "list") == "no visits\n"
    assert done("client", "add", "--note", "stiff in the morning") == "added C-001\n"
    done("client", "set-up", "C-001", "Heron", "seat_height=7", "plates_kg=40")
    done("client", "set-up", "c-001", "heron", "plates_kg=45")
    assert "seat_height: 7\n  plates_kg: 45.0 kg" in done("client", "set-up", "C-001", "heron")
    done(
        "client",
        "limits",
        "C-001",
        "heron",
        "--range",
        "-5",
        "50",
        "--up",
        "3",
        "--repetitions",
        "12",
    )
    limits = json.loads(done("client", "limits", "C-001", "heron", "--json"))
    assert limits["client_range"] == [-5.0, 50.0]
    assert limits["stop_rules"]["repetitions"] == 12
    (home / "limits.json").write_text(json.dumps({**limits, "torque_limit_nm": 150.0}))
    done("client", "limits", "C-001", "heron", "--file", str(home / "limits.json"))
    assert "torque_limit_nm: 150.0" in done("client", "limits", "C-001", "heron")
    assert "in force" in done("client", "consent", "C-001", "--given")
    assert "withdrawn" in done("client", "consent", "C-001", "--withdrawn")
    done("visit", "services", "spine-only", "--price", "45.50", "--minutes", "40")
    logged = done(
        "visit", "log", "C-001", "heron", "--service", "spine-only", "--start", "2026-01-05T09:00",
        "--note", "100% of it",
    )  # fmt: skip
    assert logged.startswith("visit 1: C-001 on heron, 2026-01-05 09:00")
    assert "40 min" in done("visit", "list", "100%")
    assert done("visit", "list", "_") == "no visits\n"
    bill = home / "january.csv"
    days = ("--from", "2026-01-01", "--to", "2026-01-31")
    done("visit", "bill", *days, "--decimal", "comma", "-o", str(bill))
    assert "2026-01-05;C-001;1;spine-only;Spine visit;40;45,50;" in bill.read_text("utf-8-sig")
    shown = json.loads(done("client", "show", "C-001", "--json"))
    assert shown["visits"][0]["price"] == "45.50"
    assert "stiff" in done("client", "show", "C-001")
    assert "sound" in done("records", "check")
    assert "visit logged" in done("records", "audit", "--client", "C-001")
    copied = json.loads(done("records", "backup", "--json"))
    assert json.loads(done("records", "check", "--json"))["copies"]
    done("client", "export", "C-001", str(home / "out.zip"))
    assert call("client", "delete", "C-001", given="n\n").exit_code == 1
    assert "deleted: 1 visits" in done("client", "delete", "C-001", given="y\n")
    assert done("client", "list") == "no clients yet\n"
    done("records", "restore", copied["path"], "--yes")
    assert done("client", "list") == "no clients yet\n"  # the copy was cleaned too


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("client", "add", "Anna"), "no client code"),
        (("client", "add", "C-001"), "already"),
        (("client", "show", "C-002"), "no client C-002"),
        (("client", "set-up", "C-001", "heron", "seat=7"), "no setting"),
        (("client", "limits", "C-001", "heron", "--range", "50", "-5"), "range"),
        (("client", "limits", "C-001", "heron", "--file", "nowhere.json"), "could not be read"),
        (("client", "trend", "C-001", "heron"), "No isometric test"),
        (("client", "consent", "C-001", "--withdrawn"), "no consent"),
        (("visit", "log", "C-001", "heron", "--start", "2999-01-01"), "in the future"),
        (("visit", "log", "C-001", "heron", "--service", "x"), "no service"),
        (("visit", "log", "C-001", "heron", "--repeat-of", "9"), "no visit 9"),
        (("visit", "bill", "--from", "2026-02-01", "--to", "2026-01-01"), "first day first"),
        (("records", "restore", "nothing", "--yes"), "no copy"),
        (("client", "add", "C-002", "--by", "A. Name"), "initials"),
    ],
)
def test_what_cannot_be_done_is_said_plainly(home: Path, words: tuple[str, ...], said: str) -> None:
    done("client", "add", "C-001")
    assert said in str(refused(*words))


@pytest.mark.parametrize(
    "words",
    [
        ("client", "set-up", "C-001", "heron", "seat_height"),
        ("visit", "log", "C-001", "heron", "--start", "yesterday"),
        ("visit", "log", "C-001", "heron", "--price", "a lot"),
        ("client", "consent", "C-001", "--given", "--withdrawn"),
        ("visit", "bill"),
    ],
)
def test_what_makes_no_sense(home: Path, words: tuple[str, ...]) -> None:
    done("client", "add", "C-001")
    assert call(*words).exit_code == 2


def test_long_and_strange_notes(home: Path) -> None:
    note = "日本 ☂ 'x' \"y\" % _ \\ " + "ö" * 10_000
    done("client", "add", "C-001", "--note", note)
    assert json.loads(done("client", "show", "C-001", "--json"))["client"]["note"] == note
    assert max(map(len, done("client", "list").splitlines())) < 120
    assert "warning" in call("client", "note", "C-001", "--text", "a@example.org").stderr
    assert "nothing to change" in done("client", "note", "C-001")


def test_nobody_enters_anything_unnamed(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("STEELYARD_OPERATOR")
    assert "Nobody said who" in str(refused("client", "add", "C-001"))
    done("client", "add", "C-001", "--by", "cd")
    assert " CD client added" in done("records", "audit")


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="POSIX signals")
def test_ctrl_c_at_a_question_is_no_trace_and_changes_nothing(home: Path) -> None:
    done("client", "add", "C-001")
    process = subprocess.Popen(
        [sys.executable, "-m", "steelyard.cli", "client", "delete", "C-001"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=environment(),
    )  # fmt: skip
    assert process.stdout is not None
    asked = process.stdout.read(len("Delete"))
    assert asked == "Delete"
    time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=20)
    assert process.returncode == 130
    assert "Traceback" not in errors
    assert "C-001" in done("client", "list")
