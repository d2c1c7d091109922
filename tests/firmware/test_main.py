"""main.py: grace, service mode, and Ctrl-C given back whatever happens."""

from __future__ import annotations

import importlib.util
import sys
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from firmware.rig import Rig
from steelyard.simulator.clock import VirtualClock
from steelyard.simulator.parts.bench import SERVICE_PIN
from steelyard.simulator.parts.machine import Machine

_MAIN = Path(__file__).parents[2] / "firmware" / "main.py"
Load = Callable[[], Any]


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def machine(clock: VirtualClock) -> Machine:
    return Machine(clock)


@pytest.fixture
def load_main(
    monkeypatch: pytest.MonkeyPatch, clock: VirtualClock, machine: Machine
) -> Callable[[], Any]:
    micropython = types.ModuleType("micropython")
    micropython.alloc_emergency_exception_buf = lambda size: None  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "micropython", micropython)
    monkeypatch.setitem(sys.modules, "machine", machine)  # type: ignore[arg-type]

    def load() -> Any:
        spec = importlib.util.spec_from_file_location("box_main", _MAIN)
        if spec is None or spec.loader is None:
            raise AssertionError(f"cannot load {_MAIN}")
        main = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(main)
        monkeypatch.setattr(main, "time", clock)
        return main

    return load


class Link:
    def __init__(self, *modules: object) -> None:
        self.calls: list[str] = []

    def open(self) -> None:
        self.calls.append("open")

    def close(self) -> None:
        self.calls.append("close")


class App:
    """Steps until it raises what it was told to."""

    def __init__(self, after: Callable[[], None]) -> None:
        self.steps = 0
        self._after = after

    def __call__(self, *parts: object) -> App:
        return self

    def step(self) -> bool:
        self.steps += 1
        if self.steps == 10:
            self._after()
        return False


def _run(main: Any, monkeypatch: pytest.MonkeyPatch, after: Callable[[], None]) -> tuple[Link, App]:
    link = Link()
    app = App(after)
    monkeypatch.setattr(main, "UsbLink", lambda *modules: link)
    monkeypatch.setattr(main, "App", app)
    main.run()
    return link, app


def test_grace_comes_first(load_main: Load, clock: VirtualClock, machine: Machine) -> None:
    main = load_main()
    assert main.wait_grace(Rig().board)
    assert clock.now_us >= 1_900_000


def test_the_service_pin_keeps_the_prompt(
    load_main: Load, machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine.Pin.wire(SERVICE_PIN).hold(0)
    link, app = _run(load_main(), monkeypatch, lambda: None)
    assert link.calls == []
    assert app.steps == 0


def test_the_service_pin_stops_a_running_box(
    load_main: Load, machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    pull_low = machine.Pin.wire(SERVICE_PIN).hold
    link, app = _run(load_main(), monkeypatch, lambda: pull_low(0))
    assert link.calls == ["open", "close"]
    assert app.steps == 10


def test_ctrl_c_is_given_back_when_the_box_fails(
    load_main: Load, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = Link()

    def fail() -> None:
        raise ValueError("load_counts = 5; the range is 0 to 4")

    main = load_main()
    monkeypatch.setattr(main, "UsbLink", lambda *modules: link)
    monkeypatch.setattr(main, "App", App(fail))
    with pytest.raises(ValueError, match="load_counts"):
        main.run()
    assert link.calls == ["open", "close"]
