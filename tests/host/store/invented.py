"""Invented sessions and a whole invented practice, from a seed; nobody in it exists."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Engine, insert, update
from steelyard.store.kept import RecordingFile
from steelyard.store.tables import (
    AnalysisRow,
    ClientRow,
    CurveRow,
    RecordingRow,
    ResultRow,
    SetRow,
    StationRow,
    Table,
    VisitRow,
)
from steelyard.strength.analysis_lines import plain
from steelyard.strength.effort import Effort, Span
from steelyard.strength.form_faults import Fault, Finding
from steelyard.strength.isometric import IsometricTest, Station
from steelyard.strength.measured import Measured, Statement
from steelyard.strength.repetition_measures import RepetitionMeasures
from steelyard.strength.session_analysis import SessionAnalysis
from steelyard.strength.set_summary import SetRepetition, SetSummary, StopAdvice
from steelyard.strength.torque_curve import torque_curve

STATIONS = (0.0, 15.0, 30.0, 45.0, 60.0)
FIRST_DAY = datetime(2020, 1, 6, 8, tzinfo=UTC)
SHARES = (0.7, 0.8, 0.9, 1.0, 1.05)
"""Torque at the stations over the strongest but one: stronger in flexion."""


def effort(degrees: float, torque_nm: float, onset: float = 10.0, *, valid: bool = True) -> Effort:
    said = () if valid else (Statement("not-held", "Not held.", onset, spoils=True),)
    return Effort(
        span=Span(onset, onset + 5.0, 3.0, 0.2, 1.5),
        degrees=Measured(degrees, 0.2, "°"),
        peak=Measured(torque_nm, 0.01 * torque_nm + 0.5, "N·m"),
        plateau=Measured(0.95 * torque_nm, 0.01 * torque_nm, "N·m"),
        peak_seconds=onset + 2.0,
        rise_time_seconds=0.9,
        rise=((0.2, Measured(2.0 * torque_nm, 4.0, "N·m/s")),),
        steadiness_percent=2.5,
        angle_change_degrees=0.3,
        noise_nm=0.1,
        common_standard_uncertainty=0.004 * torque_nm,
        statements=said,
    )


def isometric(torques: dict[float, float]) -> IsometricTest:
    stations = [
        Station(at, (effort(at, 0.96 * torque), effort(at, torque, 40.0)))
        for at, torque in sorted(torques.items())
    ]
    return IsometricTest(tuple(stations), ())


def exercise(count: int = 8, faulty: int = 1) -> SetSummary:
    def repetition(number: int) -> SetRepetition:
        start = 6.5 * number
        measures = RepetitionMeasures(
            start, start + 6.2, Measured(58.0, 0.3, "°"), 60.0, 2.0, None, None, 0.2, 0.1, 6.0,
            0.0, 0.8, 4.0, None,
        )  # fmt: skip
        wrong = (Finding(Fault.SHORT, "80 % of the range"),) if number <= faulty else ()
        return SetRepetition(number, measures, wrong)

    return SetSummary(
        tuple(repetition(number) for number in range(1, count + 1)),
        80.0,
        Measured(640.0, 7.0, "J"),
        6.0 * count,
        Measured(-8.0, 2.0, "%"),
        None,
        StopAdvice(count, f"{count} repetitions done"),
        (),
    )


def session(torques: dict[float, float] | None = None, sets: int = 1) -> SessionAnalysis:
    test = isometric(
        torques or dict(zip(STATIONS, (140.0, 160.0, 180.0, 200.0, 210.0), strict=True))
    )
    return SessionAnalysis(
        restraint=None,
        client_range=(-2.0, 62.0),
        balance=None,
        advice=None,
        weight=None,
        tests=(test,),
        curves=(torque_curve(test),),
        sets=tuple(exercise() for _ in range(sets)),
        responses=(),
        statements=(Statement("invented", "Nobody was measured."),),
    )


def recording(number: int, path: str = "/nowhere/invented.steelyard") -> RecordingFile:
    return RecordingFile(path, f"recording-{number}", f"{number:064x}", 1_000_000)


_ANALYSIS = plain(session())
"""The same in all visits: lists and trends do not open it, they only have to pass it."""


def fill(engine: Engine, clients: int, visits: int, seed: int = 1, chunk: int = 2000) -> None:
    """Put an invented practice into empty tables, fast: rows, no audit trail."""
    source = random.Random(seed)
    strength = [source.gauss(190.0, 40.0) for _ in range(clients)]
    with engine.begin() as connection:
        connection.execute(insert(ClientRow), [_client(source, n) for n in range(1, clients + 1)])
        for first in range(1, visits + 1, chunk):
            numbers = range(first, min(visits, first + chunk - 1) + 1)
            rows: dict[type[Table], list[dict[str, Any]]] = {}
            for number in numbers:
                _visit(source, number, visits, strength, rows)
            for table, found in rows.items():
                connection.execute(insert(table), found)
        repeats = range(clients + 1, min(visits, 2 * clients) + 1, 20)
        for number in repeats:  # the second visit of every twentieth client repeats the first
            connection.execute(
                update(VisitRow).where(VisitRow.id == number).values(repeat_of=number - clients)
            )


def _client(source: random.Random, number: int) -> dict[str, Any]:
    code = f"C-{number:03d}"
    note = " ".join(source.choice(_WORDS) for _ in range(12))
    return {
        "id": number, "code": code, "note": note, "cautions": "", "added_at": FIRST_DAY,
        "folded": f"{code}\n{note}\n".casefold(), "version": 1,
    }  # fmt: skip


_WORDS = [
    "desk",
    "work",
    "garden",
    "lifts",
    "often",
    "stiff",
    "in",
    "the",
    "morning",
    "cycling",
    "swims",
    "twice",
    "weekly",
    "right",
    "side",
    "older",
    "sibling",
    "machine",
    "seat",
    "mark",
    "easy",
    "start",
    "slow",
    "warm",
    "up",
    "second",
    "test",
    "baseline",
]


def _visit(
    source: random.Random,
    number: int,
    visits: int,
    strength: Sequence[float],
    rows: dict[type[Table], list[dict[str, Any]]],
) -> None:
    client = (number - 1) % len(strength) + 1
    at = FIRST_DAY + timedelta(hours=number * 5.5 * 365 * 24 / visits)
    note = " ".join(source.choice(_WORDS) for _ in range(6))
    machine = "heron" if source.random() < 0.8 else "wren"
    torques = {
        degrees: share * (strength[client - 1] + source.gauss(0.0, 8.0))
        for degrees, share in zip(STATIONS, SHARES, strict=True)
    }

    def add(table: type[Table], **columns: Any) -> None:
        rows.setdefault(table, []).append(columns)

    add(
        VisitRow, id=number, client_id=client, machine=machine, started_at=at,
        ended_at=at + timedelta(minutes=40), service_id=1, minutes=40, price_hundredths=4500,
        operator="AB", note=note, folded=f"C-{client:03d}\n{machine}\nab\n\n{note}".casefold(),
        repeat_of=None, version=1,
    )  # fmt: skip
    file = recording(number)
    add(RecordingRow, visit_id=number, **vars(file))
    add(
        ResultRow, id=number, visit_id=number, recording_id=file.recording_id, filed_at=at,
        software="invented", machine=machine, joint="lumbar" if machine == "heron" else "cervical",
        calibration_ids=["0" * 64], facts={},
    )  # fmt: skip
    add(AnalysisRow, result_id=number, content=_ANALYSIS)
    for degrees, torque in torques.items():
        add(
            StationRow, result_id=number, test=1, degrees=degrees, torque_nm=torque,
            torque_u=0.01 * torque, common_u=0.004 * torque, efforts_total=2, valid_total=2,
        )  # fmt: skip
    add(
        CurveRow, result_id=number, test=1, low_degrees=0.0, high_degrees=60.0, area=180.0,
        area_u=2.0, ratio=1.5, ratio_u=0.02,
    )  # fmt: skip
    add(
        SetRow, result_id=number, number=1, repetitions=8, faulty=1, load_nm=80.0, work_j=640.0,
        work_u=7.0, seconds_under_load=48.0, stopped_because="",
    )  # fmt: skip
