"""Both reports: everything on them, nothing made up, nothing that runs, fit for grey and Letter."""

from __future__ import annotations

import builtins
import dataclasses
import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from host.report.synthetic_sessions import visit, with_visit
from pytest_mock import MockerFixture
from steelyard.errors import ReportError
from steelyard.printed.document import PrintedDocument
from steelyard.report.client_report import client_report
from steelyard.report.clinician_report import clinician_report
from steelyard.report.issue import IssuedReport, comparison_of, issue_report
from steelyard.report.next_steps import load_advice
from steelyard.report.recompute import recompute
from steelyard.report.recorded_analysis import RecordedAnalysis
from steelyard.report.result_file import result_content
from steelyard.report.tested_visit import visit_of_analysis
from steelyard.report.wording import stated
from steelyard.strength.load_rule import LoadRule
from steelyard.strength.measured import Measured

ISSUED = "2025-06-15T18:00:00Z"
SCRIPT = '<script>alert("x")</script><img src=x onerror=alert(1)>'
FIGURE = re.compile(r"-?\d[\d.]*(?: ± [\d.]+)? N·m")


def words(document: PrintedDocument) -> str:
    def every(value: Any) -> Iterator[str]:
        if isinstance(value, str):
            yield value
        elif isinstance(value, tuple):
            for item in value:
                yield from every(item)
        elif dataclasses.is_dataclass(value):
            for item in dataclasses.fields(value):
                if item.name not in ("svg", "png", "data"):
                    yield from every(getattr(value, item.name))

    return "\n".join(every(document))


def made(analysis: RecordedAnalysis, reader: str, *earlier: RecordedAnalysis) -> PrintedDocument:
    make = client_report if reader == "client" else clinician_report
    visits = [one for each in earlier if (one := visit_of_analysis(each)) is not None]
    comparison = comparison_of(analysis, visits)
    content = result_content(analysis)
    return make(analysis, content, comparison, issued_at=ISSUED, practice="Saltmarsh <Back> & Neck")


@pytest.fixture(scope="module")
def good(analysed: RecordedAnalysis) -> RecordedAnalysis:
    return with_visit(
        analysed, visit("heron", "steady", "session", 42), client_note=SCRIPT, note=SCRIPT
    )


@pytest.fixture(scope="module")
def for_clinician(good: RecordedAnalysis, analysed: RecordedAnalysis) -> PrintedDocument:
    earlier = with_visit(analysed, visit("heron", "steady", "session", 42), "2025-05-01")
    return made(good, "clinician", earlier)


@pytest.fixture(scope="module")
def for_client(good: RecordedAnalysis, analysed: RecordedAnalysis) -> PrintedDocument:
    earlier = with_visit(analysed, visit("heron", "steady", "session", 42), "2025-05-01")
    return made(good, "client", earlier)


@pytest.fixture(scope="module")
def issued(analysed: RecordedAnalysis, tmp_path_factory: pytest.TempPathFactory) -> IssuedReport:
    sheet = dataclasses.replace(analysed.sheet, client_note=SCRIPT, set_up={SCRIPT: SCRIPT})
    chosen = dataclasses.replace(analysed.chosen_sheet, sheet=sheet)
    changed = dataclasses.replace(
        analysed,
        chosen_sheet=chosen,
        provenance=dataclasses.replace(analysed.provenance, sheet_sha256=sheet.sheet_id),
    )
    return issue_report(
        changed, "client", tmp_path_factory.mktemp("out") / "new", issued_at=ISSUED,
        practice="Saltmarsh Back & Neck", paper_size="Letter",
    )  # fmt: skip


def test_the_clinicians_says_everything(
    for_clinician: PrintedDocument, good: RecordedAnalysis
) -> None:
    text = words(for_clinician)
    titles = [section.title for section in for_clinician.sections]
    for part in ("Session", "Restraint check", "Balance", "Isometric test", "Torque against angle",
                 "Set 1", "Next load, by the practice's rule", "Visit to visit",
                 "How it was measured"):  # fmt: skip
        assert part in titles
    found, kept = good.found, good.provenance
    assert found.balance is not None
    curve = found.curves[0]
    assert curve is not None
    for said in (
        stated(found.balance.worst()[1]),
        stated(curve.area()),
        stated(curve.flexed_to_extended()),
        stated(found.sets[0].work),
        "(k = 2.0)",
        "not a medical device",
        "cautions shown and acknowledged",
        "thigh pads firm",
        kept.calibrations[0].calibration_id,
        kept.recording_sha256,
        kept.profile_sha256,
        "Phys Ther 1992",
        "Take the second test as the baseline",
        "settles in four conversions",
        "steelyard recompute",
    ):
        assert said in text, said


def test_every_effort_and_every_repetition_has_its_row(
    for_clinician: PrintedDocument, good: RecordedAnalysis
) -> None:
    sections = {one.title: one for one in for_clinician.sections}
    rows = sections["Isometric test"].tables[0].rows
    efforts = [one for station in good.found.tests[0].stations for one in station.efforts]
    assert len(rows) == len(efforts)
    for row, effort in zip(rows, efforts, strict=True):
        assert row[3] == (effort.peak.text().removesuffix("N·m").strip() if effort.peak else "–")
        assert ("NOT VALID" in row) is not effort.valid
    assert len(sections["Set 1"].tables[0].rows) == good.found.sets[0].count


@pytest.mark.parametrize("reader", ["client", "clinician"])
def test_no_torque_stands_alone(
    reader: str, for_client: PrintedDocument, for_clinician: PrintedDocument
) -> None:
    """Wherever a torque of the client is printed, its uncertainty stands beside it."""
    document = for_client if reader == "client" else for_clinician
    text = "\n".join(
        line
        for line in words(document).splitlines()
        # limits, scatter and published figures are no torques of the client
        if not re.search(r"of this machine|about the fit|from .*Phys Ther|SEE 25.1", line)
    )
    found = FIGURE.findall(text)
    assert found
    assert [one for one in found if "±" not in one] == []


def test_the_clients_is_plain_and_kind(for_client: PrintedDocument) -> None:
    text = words(for_client)
    assert for_client.large
    for term in ("isometric", "concentric", "eccentric", "plateau", "MDC", "counterweight"):
        assert term not in text.casefold(), term
    for said in ("Your back session", "Strongest effort", "Since last time (2025-05-01)",
                 "no more than day to day", "Next time", "practice, not strength",
                 "no medical advice"):  # fmt: skip
        assert said in text, said


class _Page(HTMLParser):
    """What a page would fetch or run, and whether its tags are closed."""

    def __init__(self) -> None:
        super().__init__()
        self.bad: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag == "script" and named.get("type") != "application/json":
            self.bad.append("script")
        if tag in ("img", "iframe", "link", "object", "form"):
            self.bad.append(tag)
        for name, value in attrs:
            outward = name in ("src", "href", "xlink:href") and not (value or "").startswith("#")
            if outward or name.startswith("on"):
                self.bad.append(f"{tag} {name}={value}")
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_a_page_stands_alone_and_runs_nothing(issued: IssuedReport) -> None:
    text = issued.web_page.read_text(encoding="utf-8")
    page = _Page()
    page.feed(text)
    assert page.bad == []
    assert page.open == []
    assert "&lt;script&gt;alert" in text
    assert not re.search(r"url\((?!#)", text)
    assert "@import" not in text


def test_it_prints_on_letter_and_is_the_same_bytes_again(
    issued: IssuedReport, analysed: RecordedAnalysis, tmp_path: Path
) -> None:
    paper = issued.paper.read_bytes()
    assert paper.startswith(b"%PDF-")
    assert b"612" in paper.split(b"/MediaBox")[1][:40]
    assert paper.count(b"/Type /Page\n") <= 2
    a4 = issue_report(analysed, "client", tmp_path / "a", issued_at=ISSUED)
    again = issue_report(analysed, "client", tmp_path / "b", issued_at=ISSUED)
    assert b"595" in a4.paper.read_bytes().split(b"/MediaBox")[1][:40]
    for one, two in zip(a4.paths, again.paths, strict=True):
        assert one.read_bytes() == two.read_bytes()


def test_a_written_report_proves_itself(issued: IssuedReport, session_path: Path) -> None:
    for path in issued.paths:
        found = recompute(path, session_path)
        assert found.reproduced, (path, found.problems, found.differences[:3])
    assert json.loads(issued.result.read_text(encoding="ascii"))["schema_version"] == 1


def test_without_the_drawing_packages_and_on_a_full_disk(
    analysed: RecordedAnalysis, tmp_path: Path, mocker: MockerFixture
) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(ReportError, match="could not be written"):
        issue_report(analysed, "client", tmp_path / "file", issued_at=ISSUED)
    usual = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name.split(".", maxsplit=1)[0] == "matplotlib":
            raise ImportError("gone", name="matplotlib")
        return usual(name, *rest, **more)

    mocker.patch("builtins.__import__", without)
    with pytest.raises(ReportError, match="matplotlib is not installed") as refused:
        issue_report(analysed, "clinician", tmp_path / "new", issued_at=ISSUED)
    assert "steelyard[report]" in refused.value.advice
    assert not (tmp_path / "new").exists()


def test_the_next_load_comes_by_the_practices_rule_only(good: RecordedAnalysis) -> None:
    def advice(**sheet: Any) -> Any:
        changed = dataclasses.replace(good.sheet, **sheet)
        chosen = dataclasses.replace(good.chosen_sheet, sheet=changed)
        return load_advice(dataclasses.replace(good, chosen_sheet=chosen))

    stack, count = good.sheet.stack_kg, good.found.sets[0].count
    assert stack is not None
    up = advice(load_rule=LoadRule(count, faulty=count))
    assert up.mass_kg == stack + 5.0
    assert f"the rule asks {count}" in up.reason
    assert advice(load_rule=LoadRule(99, fewest=count + 1)).mass_kg == stack - 5.0
    assert advice(load_rule=None).mass_kg is None
    assert "no rule" in advice(load_rule=None).reason
    assert "does not state the plates" in advice(stack_kg=None).reason
    bare = dataclasses.replace(good.found, sets=())
    assert load_advice(dataclasses.replace(good, found=bare)).mass_kg is None


def test_a_set_that_the_recording_cuts_off_suggests_no_load(good: RecordedAnalysis) -> None:
    assert good.signals is not None
    end = good.found.sets[-1].repetitions[-1].measures.end_seconds + 1.0
    part = good.signals.between(0.0, end)
    cut = dataclasses.replace(good.signals, seconds=good.signals.seconds[part])
    advice = load_advice(dataclasses.replace(good, signals=cut))
    assert advice.mass_kg is None
    assert "recording ends" in advice.reason


@pytest.mark.parametrize(
    ("manner", "client", "clinician"),
    [
        ("rushed", "Faster than asked", "rushed: up in"),
        ("slipping", "moved in the seat", "restraint slipped: by"),
        ("abrupt", "did not count", "NOT VALID"),
    ],
)
def test_faults_are_on_both(
    analysed: RecordedAnalysis, manner: str, client: str, clinician: str
) -> None:
    found = with_visit(analysed, visit("heron", manner, "session", 42))
    assert client in words(made(found, "client"))
    assert clinician in words(made(found, "clinician"))


def test_an_effort_that_does_not_count_is_never_a_good_figure(analysed: RecordedAnalysis) -> None:
    found = with_visit(analysed, visit("heron", "abrupt", "session", 42))
    efforts = found.found.tests[0].efforts
    assert not any(one.valid for one in efforts)
    text = words(made(found, "client"))
    for one in efforts:
        assert isinstance(one.peak, Measured)
        assert one.peak.text() not in text
        assert f"{one.peak.value:.0f} " not in text
    assert "not measured" in text
    document = made(found, "clinician")
    assert dict(document.headline)["Highest valid peak"] == "–"
    sections = {one.title: one for one in document.sections}
    table = sections["Isometric test"].tables[0]
    assert table.quiet == frozenset(range(len(table.rows)))
    assert sections["Torque against angle"].pictures == ()
