"""Sessions on the whole virtual box, recorded with calibration, profile and sheet inside."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from steelyard.calibration import (
    Binding,
    Conditions,
    Direction,
    ForceCalibration,
    Gravity,
    LoadPoint,
    Weight,
    calibrate_force,
)
from steelyard.device import Box
from steelyard.recording.documents import Document
from steelyard.recording.file_format import Subject
from steelyard.recording.recorder import Recorder, RecordingPlan
from steelyard.report.sources import profile_document, sheet_document
from steelyard.simulator.options import parse_options
from steelyard.simulator.port import SimulatedPort, open_simulated_port
from steelyard.simulator.world import World
from steelyard.strength.crank_course import CrankSetting
from steelyard.strength.load_rule import LoadRule
from steelyard.strength.session_sheet import SessionSheet
from steelyard.transport.reconnecting import ReconnectingLink
from steelyard_protocol.records import DocumentKind, SettingKey

SERIAL = "SB-7001"
ONE_TEST_SECONDS = 104.0
"""Sweeps and the first stations of an isometric test."""
WHOLE_SECONDS = 270.0
"""Sweeps, a whole isometric test, a set."""
STARTED = 1_781_000_000.0


def virtual_box(
    machine: str = "heron", client: str = "steady", task: str = "session", seed: int = 11,
    faults: str = "",
) -> SimulatedPort:  # fmt: skip
    more = f"&faults={faults}" if faults else ""
    port = open_simulated_port(f"{machine}?task={task}&client={client}&speed=max&seed={seed}{more}")
    box = Box(port)
    box.identify()
    box.write_setting(SettingKey.SENSOR_SERIAL, 0, text=SERIAL)
    return port


def calibrated(port: SimulatedPort, box_id: str, loads: int = 5, piece_kg: float = 20.0,
               taken_at: str = "2025-03-03T09:00:00Z") -> ForceCalibration:  # fmt: skip
    """Weights up and down by the cell's own truth: the calibration has tests of its own."""
    cell = port.world.cells[0].truth
    names = [f"{piece_kg:g} kg no. {number}" for number in range(1, loads + 1)]
    points = [
        LoadPoint(
            run, direction, piece_kg * pieces,
            cell.counts(piece_kg * pieces * 9.81 * (1.0 - 0.00015)), 3.0, 240,
            tuple(names[:pieces]),
        )
        for run in (1, 2, 3)
        for direction, many in (
            (Direction.UP, range(loads + 1)), (Direction.DOWN, range(loads - 1, -1, -1)),
        )
        for pieces in many
    ]  # fmt: skip
    weights = {name: Weight(name, piece_kg, oiml_class="M1") for name in names}
    conditions = Conditions(gravity=Gravity.entered(9.81, 0.0005), taken_at=taken_at)
    return calibrate_force(points, conditions, Binding(box_id, 0, SERIAL, 128), weights=weights)


def box_calibration(machine: str = "heron", seed: int = 11) -> ForceCalibration:
    port = virtual_box(machine, seed=seed)
    with Box.open(port) as box:
        piece_kg = 10.0 if machine == "wren" else 20.0
        return calibrated(port, box.description.box_id_text, piece_kg=piece_kg)


def sheet_of(machine: str = "heron", client: str = "steady", seed: int = 11) -> SessionSheet:
    """What the operator writes: where crank and plates truly stand."""
    options = parse_options(f"{machine}?client={client}&seed={seed}")
    present = World(options.world).machine
    return SessionSheet(
        crank=(CrankSetting(present.counterweight_turns),),
        stack_kg=present.stack_kg,
        body_mass_kg=74.0,
        stature_metres=1.74,
        load_rule=LoadRule(repetitions=8, faulty=1, fewest=5),
        service="Spine visit, 30 minutes",
        set_up={"seat": "4", "footplate": "7", "thigh pads": "firm", "head rest": "2"},
        cautions=("Stop at any sharp pain.",),
        cautions_acknowledged=True,
        client_note="Well done today.",
        note="Slept badly, says the client.",
        written_at="2025-06-15T15:00:00Z",
        written_by="operator O-2",
    )


def record_session(
    path: Path,
    seconds: float = WHOLE_SECONDS,
    machine: str = "heron",
    client: str = "steady",
    task: str = "session",
    seed: int = 11,
    faults: str = "",
    *,
    sheet: SessionSheet | None = None,
    calibration: ForceCalibration | None = None,
    calibrate: bool = True,
    named: str | None = None,
    code: str = "C-001",
) -> Path:
    documents = [] if not calibrate else [
        Document(
            DocumentKind.CALIBRATION, (calibration or box_calibration(machine, seed)).to_json()
        )
    ]  # fmt: skip
    documents += [
        profile_document(machine),
        sheet_document(sheet or sheet_of(machine, client, seed)),
    ]
    name = machine.capitalize() if named is None else named
    plan = RecordingPlan(path, Subject(name, code), documents, duration_seconds=seconds)
    link = ReconnectingLink(lambda: virtual_box(machine, client, task, seed, faults))
    Recorder(link, plan).run()
    return path


def without_sheet(sheet: SessionSheet) -> SessionSheet:
    return replace(sheet, crank=(), stack_kg=None)
