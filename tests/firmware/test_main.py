"""main.py and duty.py: grace, service mode, watchdog, crash file, and always a way back."""

from __future__ import annotations

import builtins
import importlib.util
import io
import sys
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from drivers.watchdog import TIMEOUT_MS
from firmware.rig import Rig
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.parts.bench import SERVICE_PIN
from steelyard.simulator.parts.machine import Machine

_FIRMWARE = Path(__file__).parents[2] / "firmware"
STEP_US = 10_000


class ResetError(Exception):
    """The board was reset."""


class Dog:
    """A watchdog that resets the board when it was not fed in time."""

    def __init__(self, clock: VirtualClock) -> None:
        self.timeout_ms = 0
        self.fed_total = 0
        self._clock = clock
        self._fed_us = 0

    def __call__(self, timeout: int) -> Dog:
        self.timeout_ms = timeout
        self._fed_us = self._clock.now_us
        return self

    def feed(self) -> None:
        if self._clock.now_us - self._fed_us > 1000 * self.timeout_ms:
            raise ResetError
        self.fed_total += 1
        self._fed_us = self._clock.now_us


class Stage:
    """A board, and the modules that main.py and duty.py import from it."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
        self.clock = VirtualClock()
        self.machine: Any = Machine(self.clock)
        self.dog = self.machine.WDT = Dog(self.clock)
        self.registers = self.machine.mem32 = {}
        self.machine.reset = self._reset
        self.calls: list[str] = []
        self.interrupt_characters: list[int] = []
        self.steps = 0
        self.after: Callable[[int], None] = lambda steps: None
        self.prompt_wanted = False
        self._monkeypatch = monkeypatch
        self.crash_file = folder / "crash.txt"
        micropython = types.ModuleType("micropython")
        micropython.alloc_emergency_exception_buf = lambda size: None  # type: ignore[attr-defined]
        micropython.kbd_intr = self.interrupt_characters.append  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "micropython", micropython)
        monkeypatch.setitem(sys.modules, "machine", self.machine)
        monkeypatch.setattr(
            sys,
            "print_exception",
            lambda error, file: file.write(f"{type(error).__name__}: {error}"),
            raising=False,
        )
        monkeypatch.setattr("time.ticks_ms", self.clock.ticks_ms, raising=False)
        monkeypatch.setattr("time.ticks_diff", self.clock.ticks_diff, raising=False)
        monkeypatch.setattr("time.sleep_ms", self.clock.sleep_ms, raising=False)
        monkeypatch.chdir(folder)
        self.duty = self._load("duty")
        self.main = self._load("main")
        monkeypatch.setattr(self.duty, "time", self.clock)
        monkeypatch.setattr(self.duty, "UsbLink", lambda *modules: self)
        monkeypatch.setattr(self.duty, "App", lambda *parts: self)

    def _load(self, name: str) -> Any:
        spec = importlib.util.spec_from_file_location(name, _FIRMWARE / f"{name}.py")
        if spec is None or spec.loader is None:
            raise AssertionError(f"cannot load {name}")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        self._monkeypatch.setitem(sys.modules, name, module)
        return module

    def _reset(self) -> None:
        raise ResetError

    # the link and the app
    def open(self) -> None:
        self.calls.append("open")

    def close(self) -> None:
        self.calls.append("close")

    def step(self) -> None:
        self.steps += 1
        self.clock.sleep_us(STEP_US)
        self.after(self.steps)

    def ground_service_pin(self) -> None:
        self.machine.Pin.wire(SERVICE_PIN).hold(0)


@pytest.fixture
def stage(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Stage:
    return Stage(monkeypatch, tmp_path)


def _stop_by_service_pin(stage: Stage) -> Callable[[int], None]:
    return lambda steps: stage.ground_service_pin() if steps == 10 else None


def test_grace_comes_first(stage: Stage) -> None:
    assert stage.main.wait_grace()
    assert 1_900_000 <= stage.clock.now_us <= 2_200_000


def test_the_service_pin_keeps_the_prompt_and_no_watchdog_runs(stage: Stage) -> None:
    stage.ground_service_pin()
    stage.main.run()
    assert (stage.calls, stage.steps, stage.dog.timeout_ms) == ([], 0, 0)


def test_the_service_pin_stops_a_running_box_and_its_watchdog(stage: Stage) -> None:
    stage.after = _stop_by_service_pin(stage)
    stage.main.run()
    assert stage.calls == ["open", "close"]
    assert stage.steps == 10
    # WATCHDOG_CTRL at 0x40058000, bit 30 ENABLE; +0x3000 clears: RP2040 data sheet, 2.1.2, 4.7.6.
    assert stage.registers == {0x40058000 + 0x3000: 1 << 30}


def test_the_host_can_ask_for_the_prompt(stage: Stage) -> None:
    def ask(steps: int) -> None:
        stage.prompt_wanted = steps == 7

    stage.after = ask
    stage.main.run()
    assert (stage.steps, stage.calls) == (7, ["open", "close"])


def test_the_loop_feeds_the_watchdog(stage: Stage) -> None:
    stage.after = _stop_by_service_pin(stage)
    stage.main.run()
    assert stage.dog.fed_total == 10
    assert stage.dog.timeout_ms == TIMEOUT_MS <= 8388  # most that the RP2040 can


def test_a_loop_that_hangs_is_ended_by_the_watchdog(stage: Stage) -> None:
    def hang(steps: int) -> None:
        if steps == 5:
            stage.clock.sleep_ms(9000)

    stage.after = hang
    with pytest.raises(ResetError):
        stage.main.run()
    assert stage.steps == 5


def test_an_error_soon_after_the_start_leaves_the_prompt_open(
    stage: Stage, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(steps: int) -> None:
        raise ValueError("load_counts = 5; the range is 0 to 4")

    stage.after = fail
    with pytest.raises(ValueError, match="load_counts"):
        stage.main.run()
    assert stage.calls == ["open", "close"]  # Ctrl-C has its meaning back
    assert stage.registers  # and nothing resets the board under the hands of who looks
    assert "load_counts = 5" in stage.crash_file.read_text()
    assert "crash.txt" in capsys.readouterr().out


def test_after_long_sound_work_an_error_starts_the_box_again(stage: Stage) -> None:
    def fail(steps: int) -> None:
        if steps * STEP_US > 60_000_000:
            raise ValueError("late")

    stage.after = fail
    with pytest.raises(ResetError):
        stage.main.run()
    assert "late" in stage.crash_file.read_text()


def test_a_week_of_sound_work_is_long_work_too(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    week_ms = 7 * 24 * 3600 * 1000  # more than half of what the counter of milliseconds holds

    def fail() -> None:
        stage.clock.sleep_ms(week_ms)
        raise ValueError("late")

    monkeypatch.setattr(stage.duty, "run", fail)
    with pytest.raises(ResetError):
        stage.main.run()


def test_a_part_that_cannot_even_be_imported_is_a_crash_like_any_other(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delitem(sys.modules, "duty")
    real_import = builtins.__import__

    def broken(name: str, *rest: Any, **more: Any) -> Any:
        if name == "duty":
            raise SyntaxError("invalid syntax")
        return real_import(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", broken)
    with pytest.raises(SyntaxError):
        stage.main.run()
    assert "SyntaxError" in stage.crash_file.read_text()


def test_an_error_is_shown_even_when_it_cannot_be_kept(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*names: object) -> io.StringIO:
        raise OSError(28, "no space")

    def fail(steps: int) -> None:
        raise ValueError("the one that counts")

    stage.after = fail
    monkeypatch.setattr(builtins, "open", refuse)
    with pytest.raises(ValueError, match="the one that counts"):
        stage.main.run()


def test_while_the_box_loads_ctrl_c_is_data_and_afterwards_ctrl_c_again(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[list[int]] = []
    monkeypatch.setattr(stage.duty, "run", lambda: seen.append(stage.interrupt_characters[:]))
    stage.main.run()
    assert seen == [[-1]]
    assert stage.interrupt_characters == [-1, 3]


def test_an_error_gives_ctrl_c_back(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise ValueError("load_counts")

    monkeypatch.setattr(stage.duty, "run", fail)
    with pytest.raises(ValueError, match="load_counts"):
        stage.main.run()
    assert stage.interrupt_characters[-1] == 3


def test_in_service_mode_ctrl_c_was_never_taken_away(stage: Stage) -> None:
    stage.ground_service_pin()
    stage.main.run()
    assert stage.interrupt_characters == []


def test_ctrl_c_is_no_crash(stage: Stage) -> None:
    def interrupt(steps: int) -> None:
        raise KeyboardInterrupt

    stage.after = interrupt
    with pytest.raises(KeyboardInterrupt):
        stage.main.run()
    assert not stage.crash_file.exists()


def test_without_a_register_to_stop_it_the_watchdog_ends_in_a_reset(stage: Stage) -> None:
    stage.duty.standard_board.WATCHDOG_STOP, kept = None, stage.duty.standard_board.WATCHDOG_STOP
    try:
        stage.after = _stop_by_service_pin(stage)
        with pytest.raises(ResetError):
            stage.duty.run()
    finally:
        stage.duty.standard_board.WATCHDOG_STOP = kept
    assert stage.calls == ["open", "close"]


def test_the_board_names_its_service_pin(rig: Rig) -> None:
    assert not rig.board.service_requested()
    rig.machine.Pin.wire(SERVICE_PIN).hold(0)
    assert rig.board.service_requested()
