"""When garbage is collected and the heap weighed."""

from __future__ import annotations

from typing import Any

from box.memory import Memory
from firmware.rig import Rig
from steelyard.simulator.clock import VirtualClock
from steelyard_protocol import codec, records


class Board:
    """Each collection leaves a little less, as a leak would."""

    def __init__(self) -> None:
        self.calls: list[str] = []
        self._free = 100_000

    def collect_garbage(self) -> None:
        self.calls.append("collect")
        self._free -= 16

    def heap_free_bytes(self) -> int:
        self.calls.append("weigh")
        return self._free


def test_it_collects_at_the_start_and_then_every_twenty_seconds_in_two_turns() -> None:
    clock, board = VirtualClock(call_cost_us=0), Board()
    memory = Memory(board, clock)
    assert (board.calls, memory.free_bytes) == (["collect", "weigh"], 99_984)
    board.calls.clear()
    for at_ms in range(0, 60_100, 10):
        memory.look_at_clock(at_ms * 1000)
        if memory.due:
            memory.tidy()
    assert board.calls == ["collect", "weigh"] * 3
    assert memory.free_bytes == 99_984 - 3 * 16


def test_neither_is_done_while_there_is_other_work(monkeypatch: Any) -> None:
    rig = Rig()
    rig.run_ms(300)
    rig.start()
    rig.app._memory.due = True
    turns: list[bool] = []
    tidy = rig.app._memory.tidy
    monkeypatch.setattr(rig.app._memory, "tidy", lambda: (turns.append(True), tidy()))
    rig.app._wake = rig.clock.ticks_us()  # an angle is due
    assert rig.app.step()
    assert turns == []
    while rig.app.step():
        pass
    assert turns == [True]
    assert rig.app._memory.due  # the weighing is left for another turn


def test_a_box_that_is_never_idle_still_answers() -> None:
    """Requests are looked at in idle turns, and with each status in any case."""
    rig = Rig()
    rig.run_ms(300)
    rig.start()
    rig.app._transmitter.pump = lambda: True  # always something to send
    requests_before = rig.app._requests.requests_total
    rig.port.to_box += codec.encode(records.StopStream(9))
    for _ in range(200):
        rig.app.step()
        rig.clock.sleep_us(5000)
    assert rig.app._requests.requests_total == requests_before + 1
