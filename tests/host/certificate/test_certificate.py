"""The certificate: everything on it, the same in all three files, nothing from elsewhere."""

from __future__ import annotations

import builtins
import dataclasses
import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from host.calibration.synthetic import BINDING, Bench
from host.certificate import scenario
from pytest_mock import MockerFixture
from steelyard.calibration import (
    AngleCalibration,
    AngleConditions,
    AnglePoint,
    TorqueCalibration,
    calibrate_angle,
    calibrate_force,
)
from steelyard.calibration.comparison import compare_angle
from steelyard.calibration.history import Act, History
from steelyard.calibration.register import Register
from steelyard.certificate.content import certificate_of
from steelyard.certificate.issue import IssuedCertificate, issue_certificate
from steelyard.errors import CalibrationFileError, MissingExtraError
from steelyard.printed.document import PrintedDocument, Table

ISSUED = scenario.at(220)


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> tuple[Register, TorqueCalibration]:
    return scenario.year(tmp_path_factory.mktemp("life"), drift_per_check=4e-5)


@pytest.fixture(scope="module")
def made(lived: tuple[Register, TorqueCalibration]) -> PrintedDocument:
    register, calibration = lived
    return certificate_of(
        calibration, register.history(), issued_at=ISSUED,
        practice="Saltmarsh Back & Neck", machine="Heron 1 <back>",
    )  # fmt: skip


@pytest.fixture(scope="module")
def issued(
    lived: tuple[Register, TorqueCalibration], tmp_path_factory: pytest.TempPathFactory
) -> IssuedCertificate:
    register, calibration = lived
    return issue_certificate(
        calibration, register.history(), tmp_path_factory.mktemp("out") / "new", issued_at=ISSUED,
        practice="Saltmarsh Back & Neck", machine="Heron 1 <back>",
    )  # fmt: skip


def tables(certificate: PrintedDocument) -> dict[str, Table]:
    return {
        f"{section.title}/{number}": table
        for section in certificate.sections
        for number, table in enumerate(section.tables)
    }


def words(certificate: PrintedDocument) -> str:
    def every(value: Any) -> Iterator[str]:
        if isinstance(value, str):
            yield value
        elif isinstance(value, tuple):
            for item in value:
                yield from every(item)
        elif dataclasses.is_dataclass(value):
            for item in dataclasses.fields(value):
                if item.name not in ("svg", "png"):
                    yield from every(getattr(value, item.name))

    return "\n".join(every(certificate))


def test_it_says_what_a_certificate_has_to(made: PrintedDocument) -> None:
    text = words(made)
    for said in (
        "In-house calibration",
        "Not an accredited certificate",
        "not a medical device",
        "e66164084319a52c",
        "LC-0042",
        "technician T-2",
        "2026-07-11T09:30:00Z",  # calibrated
        "2027-07-11",  # due
        "GRS80, latitude 52°",
        "21.5 °C",
        "weights hung 0.4 ± 0.001 m",
        "class M1 of OIML R 111, set S-118",
        "NOT traceable, weighed in house: plate 1, plate 2",
        "As found, with calibration",
        "As left, from the readings of this calibration itself",
        "20 checks with P1",
        "arm length",
        "counterweight removed",
    ):
        assert said in text, said
    assert {name for name, _ in made.seals} == {
        "Content hash of the calibration (SHA-256)",
        "Last entry of the history (SHA-256)",
    }


def test_numbers_are_those_of_the_calibration(
    made: PrintedDocument, lived: tuple[Register, TorqueCalibration]
) -> None:
    calibration = lived[1]
    headline = dict(made.headline)
    budget = calibration.sensitivity_budget()
    value, rest = headline["Sensitivity"].split(" ± ")
    assert float(value) == pytest.approx(calibration.sensitivity_counts_per_newton_metre, abs=0.5)
    assert float(rest.split()[0]) == pytest.approx(budget.expanded_uncertainty, abs=0.5)
    rows = tables(made)["Uncertainty/0"].rows
    contributions = np.array([float(row[-1]) for row in rows[:-1]])
    assert float(np.sqrt((contributions**2).sum())) == pytest.approx(float(rows[-1][-1]), abs=2e-4)
    full = calibration.budget(calibration.high_newton_metres)
    assert float(rows[-1][-1]) == pytest.approx(full.standard_uncertainty, abs=1e-4)
    loads = [float(row[1]) for row in tables(made)["Results/0"].rows]
    assert loads[-1] == pytest.approx(calibration.high_newton_metres, abs=0.01)


def test_drawings_are_there(made: PrintedDocument) -> None:
    drawings = [drawing for section in made.sections for drawing in section.pictures]
    assert len(drawings) == 3
    for drawing in drawings:
        assert drawing.svg.startswith("<svg")
        assert drawing.png.startswith(b"\x89PNG")
        assert drawing.caption


class _Links(HTMLParser):
    """Everything that a page would fetch, and whether its tags are closed."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.fetched += [
            value
            for name, value in attrs
            if name in ("src", "href", "xlink:href") and value and not value.startswith("#")
        ]
        if tag not in ("meta", "br", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_page_stands_alone(issued: IssuedCertificate) -> None:
    text = issued.web_page.read_text(encoding="utf-8")
    page = _Links()
    page.feed(text)
    assert page.fetched == []
    assert page.open == []
    assert "<script" not in text
    assert "@import" not in text
    assert not re.search(r"url\((?!#)", text)
    assert "Heron 1 &lt;back&gt;" in text
    assert "Saltmarsh Back &amp; Neck" in text


def test_page_and_paper_say_the_same(issued: IssuedCertificate, made: PrintedDocument) -> None:
    text = issued.web_page.read_text(encoding="utf-8")
    for section in made.sections:
        assert f"<h2>{section.title}</h2>" in text
        for table in section.tables:
            for row in table.rows:
                assert f">{row[0]}</td>" in text
    raw = issued.paper.read_bytes()
    assert raw.startswith(b"%PDF-")
    assert raw.rstrip().endswith(b"%%EOF")
    assert 3 <= raw.count(b"/Type /Page\n") <= 5


def test_json_beside_it_binds_calibration_and_history(
    issued: IssuedCertificate, lived: tuple[Register, TorqueCalibration]
) -> None:
    data = json.loads(issued.data.read_text(encoding="ascii"))
    register, calibration = lived
    assert data["calibration_id"] == calibration.calibration_id
    assert data["history_head"] == register.history().head
    assert data["in_force"] is True
    assert len(data["checks"]) == 20
    assert data["as_found"][0]["calibration_id"] != calibration.calibration_id


def test_the_same_again_is_the_same_bytes(
    issued: IssuedCertificate, lived: tuple[Register, TorqueCalibration], tmp_path: Path
) -> None:
    register, calibration = lived
    again = issue_certificate(
        calibration, register.history(), tmp_path, issued_at=ISSUED,
        practice="Saltmarsh Back & Neck", machine="Heron 1 <back>",
    )  # fmt: skip
    assert again.web_page.read_bytes() == issued.web_page.read_bytes()
    assert again.paper.read_bytes() == issued.paper.read_bytes()
    assert again.data.read_bytes() == issued.data.read_bytes()


def test_a_bare_force_calibration(tmp_path: Path) -> None:
    bench = Bench(2, runs=1)
    bare = [dataclasses.replace(point, weights=()) for point in bench.points()]
    calibration = calibrate_force(bare, bench.conditions, BINDING)
    made = certificate_of(calibration, History(), issued_at=ISSUED)
    text = words(made)
    assert "Not traceable" in text
    assert "has not been put in force" in text
    assert "not dated" in text
    assert "one run only" in text
    assert "N·m" not in text
    assert "Checks with one weight" not in text
    issue_certificate(calibration, History(), tmp_path, issued_at=ISSUED)


def test_as_left_and_a_stated_reason_are_said() -> None:
    bench = scenario.bench()
    calibration = scenario.calibration(bench)
    own = certificate_of(
        calibration,
        History()
        .added(Act.IN_FORCE, scenario.at(-9), "", "a" * 64, {})
        .added(
            Act.IN_FORCE, scenario.at(0), "", calibration.calibration_id, {"no_as_found": "torn"}
        ),
        issued_at=ISSUED,
    )
    assert "not read; stated reason: torn" in words(own)


def test_angle_certificate(tmp_path: Path) -> None:
    angles = [-40.0, -20.0, 0.0, 20.0, 40.0]
    points = [AnglePoint(angle, 30_000.0 + 200.0 * angle) for angle in angles]
    for table in (False, True):
        calibration = calibrate_angle(
            points, BINDING, counts_per_turn=0, table=table,
            conditions=AngleConditions(0.2, 0.1, taken_at=scenario.at(0)),
        )  # fmt: skip
        made = certificate_of(calibration, History(), issued_at=ISSUED, machine="Wren 1")
        assert "angle" in made.subtitle
        assert "within ± 0.1°" in words(made)
        assert ("table of 5 rows" in words(made)) is table
        issue_certificate(calibration, History(), tmp_path, issued_at=ISSUED)


def test_angle_certificate_shows_what_was_found_before(tmp_path: Path) -> None:
    def angle(zero: float, day: float) -> AngleCalibration:
        points = [AnglePoint(float(at), 1000.0 + zero + at * 4096 / 360) for at in (0, 30, 60)]
        conditions = AngleConditions(0.3, 0.1, taken_at=scenario.at(day))
        return calibrate_angle(points, BINDING, counts_per_turn=4096, conditions=conditions)

    first, second = angle(0.0, 0.0), angle(23.0, 90.0)  # 2.0 degrees on
    register = Register(tmp_path, BINDING.box_id, BINDING.channel)
    register.put_in_force(first, scenario.at(0), "T-2")
    at = scenario.at(90)
    found = compare_angle(first, second.points, at)
    register.add(Act.AS_FOUND, at, "T-2", first.calibration_id, found)
    register.put_in_force(second, at, "T-2")
    history = register.history()
    made = certificate_of(second, history, issued_at=ISSUED)
    table = tables(made)["As found and as left/0"]
    assert [(row[0], row[2][:5], row[-1]) for row in table.rows] == [
        (known, "+2.02", "NO") for known in ("0", "30", "60")
    ]
    assert f"with calibration {first.calibration_id[:12]}" in words(made)
    assert "0 of 3 positions within" in words(made)
    assert "first calibration of the channel" in words(
        certificate_of(first, history, issued_at=ISSUED)
    )


def test_a_sensor_without_a_name_is_remarked(lived: tuple[Register, TorqueCalibration]) -> None:
    named = lived[1]
    pull = dataclasses.replace(
        named.pull, binding=dataclasses.replace(named.binding, sensor_serial="")
    )
    unnamed = dataclasses.replace(named, pull=pull)
    said = words(certificate_of(unnamed, History(), issued_at=ISSUED))
    assert "NOT NAMED" in said
    assert "another one put in its place would go unnoticed" in said
    assert "would go unnoticed" not in words(certificate_of(named, History(), issued_at=ISSUED))


def test_without_the_drawing_packages_it_says_how_to_get_them(
    lived: tuple[Register, TorqueCalibration], tmp_path: Path, mocker: MockerFixture
) -> None:
    usual = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name.split(".", maxsplit=1)[0] == "matplotlib":
            raise ImportError("gone", name="matplotlib")
        return usual(name, *rest, **more)

    mocker.patch("builtins.__import__", without)
    with pytest.raises(MissingExtraError, match="matplotlib is not installed") as refused:
        issue_certificate(lived[1], History(), tmp_path, issued_at=ISSUED)
    assert "steelyard[report]" in refused.value.advice
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written(
    lived: tuple[Register, TorqueCalibration], tmp_path: Path
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("x")
    with pytest.raises(CalibrationFileError, match="could not be written"):
        issue_certificate(lived[1], History(), blocked, issued_at=ISSUED)
