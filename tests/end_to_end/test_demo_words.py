"""The last words of tools/demo.py are a command that exists."""

from __future__ import annotations

import importlib.util
import shlex
import sys
from pathlib import Path
from types import ModuleType

import pytest
from click.testing import CliRunner
from steelyard.cli.commands import steelyard as root

TOOLS = Path(__file__).resolve().parents[2] / "tools"


@pytest.fixture
def demo(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(TOOLS))
    spec = importlib.util.spec_from_file_location("demo_under_test", TOOLS / "demo.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_it_says_how_to_open_the_screens(
    demo: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    python = demo.environment.python()
    monkeypatch.setattr(demo.environment, "ensure", lambda lock: python)
    ended = demo.subprocess.CompletedProcess([], 0)
    monkeypatch.setattr(demo.subprocess, "run", lambda *words, **more: ended)
    monkeypatch.setattr(sys, "argv", ["demo.py"])
    assert demo.main() == 0
    line = next(one for one in capsys.readouterr().out.splitlines() if one.startswith("  "))
    program, *words = shlex.split(line)
    assert Path(program).stem == "steelyard"
    assert CliRunner().invoke(root, [*words, "--help"]).exit_code == 0
    assert words == ["screen", "--rehearse", "steady"]


def test_a_demo_that_failed_says_nothing_more(
    demo: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(demo.environment, "ensure", lambda lock: demo.environment.python())
    ended = demo.subprocess.CompletedProcess([], 3)
    monkeypatch.setattr(demo.subprocess, "run", lambda *words, **more: ended)
    assert demo.main() == 3
    assert capsys.readouterr().out == ""
