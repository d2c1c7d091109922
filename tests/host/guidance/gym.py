"""Whole visits in a virtual gym: box, recorder, visit, an operator who presses buttons.

The recorder writes what comes and hands it on; the visit sees the very same
bytes.  The client follows the screen (``Rehearsal``), in the manner chosen.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from host.strength.visit import drawn_profile, drawn_scale
from steelyard.device import Poll
from steelyard.guidance.balance_step import BalanceStep
from steelyard.guidance.isometric_step import IsometricStep
from steelyard.guidance.machine_scales import MachineScales
from steelyard.guidance.rehearsal import Rehearsal
from steelyard.guidance.set_step import SetStep
from steelyard.guidance.step import OPEN
from steelyard.guidance.views import BalanceView, RestraintView, SetView, StepState, VisitView
from steelyard.guidance.visit import USUAL, Visit
from steelyard.recording.file_format import Subject
from steelyard.recording.reader import Recording, read_recording
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.simulator.faults import make_fault
from steelyard.simulator.port import SimulatedPort, open_simulated_port
from steelyard.simulator.virtual_client import VirtualClient
from steelyard.strength.form_faults import Prescription
from steelyard.strength.isometric import IsometricPlan, plan_stations
from steelyard.strength.recorded_signals import profile_angle
from steelyard.strength.session_analysis import SessionFacts
from steelyard.strength.set_summary import StopRules
from steelyard.transport.reconnecting import ReconnectingLink
from steelyard_protocol.decoder import Message

LOOK_SECONDS = 0.1
HANDS_SECONDS = 3.0
"""An operator's hands take so long at the crank."""
GIVE_UP_SECONDS = 15.0
ASKED = Prescription(concentric_seconds=2.2, eccentric_seconds=4.0)
PATIENT = StopRules(None, None, None, None, False, None)


@dataclass
class Gym:
    """One visit.  ``acts``: (when the view is so, do this once)."""

    folder: Path
    machine: str = "heron"
    manner: str = "steady"
    seed: int = 1
    faults: str = ""
    order: tuple[tuple[str, str], ...] = USUAL
    rest_seconds: float = 6.0
    stations: int = 2
    efforts: int = 1
    count: int = 4
    turns_off: float = 0.0
    stack_share: float = 1.0
    set_order: str = ""
    acts: list[tuple[Callable[[VisitView], bool], Callable[[Gym], None]]] = field(
        default_factory=list
    )
    views: list[VisitView] = field(default_factory=list)
    log: list[tuple[int, str, tuple[Any, ...], dict[str, Any]]] = field(default_factory=list)
    records: list[tuple[float, object]] = field(default_factory=list)
    keep_views: bool = True
    limit_seconds: float = 900.0
    facts: SessionFacts = field(
        default_factory=lambda: SessionFacts(prescription=ASKED, stop_rules=PATIENT)
    )

    def __post_init__(self) -> None:
        faults = f"&faults={self.faults}" if self.faults else ""
        self.port: SimulatedPort = open_simulated_port(
            f"{self.machine}?task=guided&client={self.manner}&seed={self.seed}&speed=max{faults}"
        )
        world = self.port.world
        world.machine.counterweight_turns = max(
            0.0, world.machine.counterweight_turns + self.turns_off
        )
        world.machine.stack_kg *= self.stack_share
        profile = drawn_profile(self.machine, self.seed)
        self.scales = MachineScales(
            profile, drawn_scale(world, profile, self.seed), profile_angle(profile)
        )
        facts = replace(self.facts, crank_turns=world.machine.counterweight_turns)
        if "balance" not in dict(self.order):
            facts = replace(facts, client_range=ends_of(self.port))
        self.begun_facts = facts
        self.visit = Visit(self.scales, "C-001", facts, self.order)
        self.rehearsal = Rehearsal(self.set_order or f"set {self.count}")
        self.path = self.folder / "visit.steelyard"
        self.ended = False
        self.feeding_seconds = self.viewing_seconds = 0.0
        self.views_total = 0
        self._looked_ns = 0
        self._since = 0.0
        self._phase: object = None

    @property
    def client(self) -> VirtualClient:
        client = self.port.world.virtual_client
        assert client is not None
        return client

    def run(self) -> Recording:
        plan = RecordingPlan(
            self.path,
            Subject(self.scales.profile.name, "C-001"),
            [],
            duration_seconds=self.limit_seconds,
        )
        link = ReconnectingLink(lambda: self.port)
        self.recorder = Recorder(link, plan, on_poll=lambda poll: self.take(poll, link))
        self.recorder.run()
        return read_recording(self.path)

    def do(self, name: str, *words: Any, **named: Any) -> None:
        """An operator's action, noted, so that it can be replayed."""
        self.log.append((len(self.records), name, words, named))
        perform(self.visit, name, words, named)

    def strike(self, fault: str, seconds: float | None = None) -> None:
        """Let a fault of the simulator strike now."""
        now = self.port.box.now_us * 1e-6
        self.port.box.plan(make_fault(fault, now, seconds))

    # --- each poll ---------------------------------------------------------------------

    def take(self, poll: Poll, link: ReconnectingLink) -> None:
        if link.transport is None:
            return
        now_ns = link.clock.monotonic_ns()
        at_seconds = now_ns * 1e-9
        records = [event.record for event in poll.events if isinstance(event, Message)]
        self.records += [(at_seconds, record) for record in records]
        begun = time.process_time()
        self.visit.tick(at_seconds)
        self.visit.feed(records, at_seconds)
        self.feeding_seconds += time.process_time() - begun
        if now_ns - self._looked_ns >= LOOK_SECONDS * 1e9:
            self._looked_ns = now_ns
            self.look(at_seconds)
        for remark in self.visit.take_remarks():
            assert len(remark.encode()) <= 160
            self.recorder.annotate(remark)

    def look(self, at_seconds: float) -> None:
        begun = time.process_time()
        view = self.visit.view(at_seconds)
        self.viewing_seconds += time.process_time() - begun
        self.views_total += 1
        if self.keep_views:
            self.views.append(view)
        for when, do in list(self.acts):
            if when(view):
                self.acts.remove((when, do))
                do(self)
                view = self.visit.view(at_seconds)
        for order in self.rehearsal.orders(view):
            self.client.do(order)
        self.operate(view)

    # --- the operator ------------------------------------------------------------------

    def operate(self, view: VisitView) -> None:
        visit, step, now = self.visit, view.step, self.visit.stage.now
        if step is None:
            self.ended = True
            self.recorder.stop()
            return
        phase = (view.current, step.state, getattr(step, "phase", ""), getattr(step, "count", 0))
        if phase != self._phase:
            self._phase, self._since = phase, now
        waited = now - self._since
        if visit.stopped:
            self.ended = True
            self.recorder.stop()
        elif step.state is StepState.READY and view.live.live:
            self.start()
        elif step.state not in OPEN:
            self.do("next")
        elif step.state is StepState.RUNNING:
            self.help(view, waited)

    def start(self) -> None:
        step, visit = self.visit.step, self.visit
        if isinstance(step, IsometricStep):
            if not visit.stage.acknowledged_by:
                self.do("acknowledge", "operator 1")
            if step.name == "before":
                assert visit.facts.client_range is not None
                places = plan_stations(self.scales.profile, visit.facts.client_range, self.stations)
                plan = IsometricPlan(places, self.efforts, rest_seconds=self.rest_seconds)
                self.do("set_plan", plan)
        if isinstance(step, SetStep):
            self.do("choose", self.port.world.machine.stack_kg, self.count)
        self.do("act", "start")

    def help(self, view: VisitView, waited: float) -> None:
        step, visit = view.step, self.visit
        resting = self.client.idle and self.port.world.segment.label == "waiting for an order"
        if isinstance(step, RestraintView) and resting and waited > 5.0:
            self.do("act", "finish")
        elif isinstance(step, BalanceView):
            assert isinstance(visit.step, BalanceStep)
            if step.phase == "balanced" or (
                step.phase == "crank" and step.cranks >= step.cranks_limit
            ):
                self.do("act", "finish")
            elif step.phase == "crank" and waited > HANDS_SECONDS and resting:
                self.do("act", "cranked")
            elif step.phase == "sweep" and resting and waited > 60.0:
                self.do("act", "skip")
        elif isinstance(step, SetView) and resting and waited > GIVE_UP_SECONDS:
            self.do("act", "finish")


def perform(visit: Visit, name: str, words: tuple[Any, ...], named: dict[str, Any]) -> None:
    target = visit.step if name in ("set_plan", "choose") else visit
    getattr(target, name)(*words, **named)


def ends_of(port: SimulatedPort) -> tuple[float, float]:
    """The client's true range on this machine."""
    low, high = port.world.client.truth.range_degrees
    travel_low, travel_high = port.world.machine.truth.travel_degrees
    return max(low, travel_low + 2.0), min(high, travel_high - 2.0)


def replayed(gym: Gym, sizes: Sequence[int]) -> Visit:
    """The same records and actions again, in other pieces."""
    first = dict(gym.order)
    facts = replace(gym.begun_facts)
    visit = Visit(gym.scales, "C-001", facts, tuple(first.items()))
    actions, done, piece = list(gym.log), 0, 0
    while done < len(gym.records) or actions:
        while actions and actions[0][0] <= done:
            _, name, words, named = actions.pop(0)
            perform(visit, name, words, named)
        if done >= len(gym.records):
            break
        until = actions[0][0] if actions else len(gym.records)
        end = min(until, done + sizes[piece % len(sizes)])
        part = gym.records[done:end]
        visit.feed([record for _, record in part], part[-1][0])
        done, piece = end, piece + 1
    visit.take_remarks()
    return visit
