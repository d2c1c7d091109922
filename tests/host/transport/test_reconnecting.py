"""Ports that go away and come back: the decisions in made-up time, the rest for real."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest
from host.device.scripted_box import ScriptedBox, ScriptedPort
from host.transport.box_servers import pty_box
from hypothesis import given
from hypothesis import strategies as st
from steelyard.device import Box
from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceError,
    DeviceNotFoundError,
    DeviceStreamEndedError,
    PortNameError,
)
from steelyard.transport import Transport
from steelyard.transport.link_machine import Backoff, LinkMachine, LinkPhase
from steelyard.transport.reconnecting import ReconnectingLink
from steelyard_protocol.records import LinkState

SECOND = 1_000_000_000


def test_from_closed_to_open_and_back() -> None:
    machine = LinkMachine()
    assert not machine.attempt_due(0)
    machine.start(5)
    assert machine.phase is LinkPhase.OPENING
    assert machine.attempt_due(5)
    machine.opened(6)
    assert machine.phase is LinkPhase.OPEN
    assert not machine.attempt_due(10**18)
    machine.lost(7, "cable")
    assert machine.phase is LinkPhase.LOST
    assert machine.last_failure == "cable"
    machine.attempt_due(10**18)
    assert machine.phase is LinkPhase.OPENING
    machine.close()
    assert machine.phase is LinkPhase.CLOSED
    assert not machine.attempt_due(10**18)


def test_the_wait_doubles_up_to_the_longest() -> None:
    machine = LinkMachine(Backoff(shortest=0.1, longest=1.0))
    machine.start(0)
    now, waits = 0, []
    for _ in range(6):
        assert machine.attempt_due(now)
        machine.failed(now, "no")
        due = machine.attempt_due_ns
        assert due is not None
        waits.append((due - now) / SECOND)
        assert not machine.attempt_due(due - 1)
        now = due
    assert waits == pytest.approx([0.1, 0.2, 0.4, 0.8, 1.0, 1.0])
    assert machine.failures_total == 6


def test_a_steady_link_starts_with_the_shortest_wait_again() -> None:
    machine = LinkMachine(Backoff(steady=2.0))
    machine.start(0)
    for _ in range(5):
        machine.failed(0, "no")
    machine.opened(0)
    machine.lost(3 * SECOND, "cable")
    assert machine.attempt_due_ns == 3 * SECOND + SECOND // 10


def test_a_link_that_dies_at_once_does_not_spin() -> None:
    machine = LinkMachine()
    machine.start(0)
    now, attempts = 0, 0
    while now < 60 * SECOND:
        if machine.attempt_due(now):
            attempts += 1
            machine.opened(now)
            machine.lost(now, "dies at once")
        now += SECOND // 100
    assert attempts < 40


@given(st.lists(st.sampled_from(["start", "due", "opened", "failed", "lost", "close"])))
def test_no_order_of_events_confuses_it(steps: list[str]) -> None:
    machine, now = LinkMachine(), 0
    for step in steps:
        now += SECOND
        if step == "close":
            machine.close()
        elif step in ("failed", "lost"):
            getattr(machine, step)(now, "")
        else:
            getattr(machine, {"due": "attempt_due"}.get(step, step))(now)
        due = machine.attempt_due_ns
        assert due is None or due <= now + 2 * SECOND
        assert (machine.phase is LinkPhase.OPEN) <= (due is None)


class Flaky:
    """Opens scripted ports, failing when told to."""

    def __init__(self) -> None:
        self.box = ScriptedBox()
        self.absent = 0
        self.opened: list[ScriptedPort] = []

    def __call__(self) -> Transport:
        if self.absent:
            self.absent -= 1
            raise DeviceNotFoundError("not there")
        self.opened.append(ScriptedPort(self.box))
        return self.opened[-1]


def test_reports_tell_what_happened_in_order() -> None:
    flaky, waits = Flaky(), []
    link = ReconnectingLink(flaky, pause=waits.append, backoff=Backoff(shortest=1e-4))
    (opened,) = link.advance(1.0)
    assert (opened.state, opened.openings_total) == (LinkState.OPENED, 1)
    flaky.absent = 3
    (lost,) = link.lost(DeviceDisconnectedError("cable"))
    assert (lost.state, lost.reason, link.phase) == (LinkState.LOST, "cable", LinkPhase.LOST)
    assert flaky.opened[0].closed
    reports = []
    while link.transport is None:
        flaky.opened[-1].clock.now_ns += 100_000
        reports += link.advance(1.0)
    assert [(report.state, report.openings_total) for report in reports] == [(LinkState.OPENED, 2)]
    assert link.failures_total == 3
    assert waits
    (closed,) = link.finish()
    assert closed.state == LinkState.CLOSED
    assert link.finish() == []
    assert flaky.opened[-1].closed
    assert closed.record().openings_total == 2


def test_the_first_failure_goes_to_the_caller() -> None:
    flaky = Flaky()
    flaky.absent = 1
    link = ReconnectingLink(flaky)
    with pytest.raises(DeviceNotFoundError):
        link.advance(0)
    assert link.phase is LinkPhase.CLOSED
    assert link.advance(0)[0].state == LinkState.OPENED
    link.close()
    with pytest.raises(PortNameError):
        ReconnectingLink("what://ever").advance(0)


def test_it_waits_no_longer_than_asked() -> None:
    flaky, waits = Flaky(), []
    link = ReconnectingLink(flaky, pause=waits.append, backoff=Backoff(shortest=5, longest=9))
    link.advance(0)
    link.lost(DeviceDisconnectedError("cable"))
    assert link.advance(0.25) == []
    assert waits == [0.25]
    assert link.transport is None
    link.close()


def test_losing_what_is_not_open_is_nothing() -> None:
    link = ReconnectingLink(Flaky())
    assert link.lost(DeviceDisconnectedError("?")) == []
    link.close()


def test_the_end_of_a_played_recording_is_final() -> None:
    link = ReconnectingLink(Flaky())
    link.advance(0)
    (closed,) = link.lost(DeviceStreamEndedError("at its end"))
    assert closed.state == LinkState.CLOSED
    assert link.advance(0) == []
    assert link.transport is None
    assert link.phase is LinkPhase.CLOSED
    assert link.finish() == []


class Rejoining(ScriptedPort):
    """A port whose world lives on."""

    def reopen(self) -> Transport:
        return Rejoining(self.box)


def test_a_world_that_lives_on_is_joined_again_not_made_anew() -> None:
    made = []

    def once() -> Transport:
        made.append(Rejoining(ScriptedBox()))
        return made[-1]

    link = ReconnectingLink(once, pause=lambda seconds: None, backoff=Backoff(shortest=0))
    link.advance(0)
    link.lost(DeviceDisconnectedError("cable"))
    link.advance(0)
    assert isinstance(link.transport, Rejoining)
    assert link.transport.box is made[0].box
    assert len(made) == 1
    link.close()


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
def test_two_hundred_unplugs(tmp_path: Path) -> None:
    """Each time: the link is found lost, comes back, the box is known again and streams."""
    with pty_box(tmp_path / "box", period=0.001) as served:
        link = ReconnectingLink(str(served.path), Backoff(0.002, 0.02, steady=0.0))
        states, received = [], 0
        for round_number in range(200):
            while link.transport is None:
                states += [report.state for report in link.advance(0.05)]
            box = Box.open(link.transport, 60.0)
            box.start_stream()
            while received <= round_number * 40:
                received += len(box.poll(0.1).raw)
            states += [report.state for report in lose(link, box, served)]
            served.box.reboot(round_number + 5000)
            served.plug()
        states += [report.state for report in link.finish()]
    assert states == [LinkState.OPENED, LinkState.LOST] * 200 + [LinkState.CLOSED]


def lose(link: ReconnectingLink, box: Box, served: object) -> list[object]:
    served.unplug()  # type: ignore[attr-defined]
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        try:
            box.poll(0.1)
        except DeviceError as error:
            return list(link.lost(error))
    pytest.fail("the lost link was not noticed")
