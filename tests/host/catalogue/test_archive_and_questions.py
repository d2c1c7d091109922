"""A shared folder, its columns, and questions in SQL over both."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from host.catalogue.conftest import make_recording
from steelyard.catalogue.archive import keep_recording, write_columns
from steelyard.catalogue.catalogue import Catalogue
from steelyard.catalogue.facts import read_facts
from steelyard.catalogue.questions import Questions
from steelyard.cli.catalogue import catalogue as command
from steelyard.errors import CatalogueError, RecordingStorageError
from steelyard.recording.reader import read_recording


def run(*words: object) -> Result:
    return CliRunner().invoke(command, [str(word) for word in words])


@pytest.fixture
def two_sites(tmp_path: Path) -> Path:
    make_recording(tmp_path / "fenside" / "a.steelyard", boot_id=1)
    make_recording(tmp_path / "fenside" / "deeper" / "b.steelyard", boot_id=2, client="C-002")
    make_recording(tmp_path / "saltmarsh" / "a.steelyard", boot_id=3, seconds=3)
    return tmp_path


def test_a_copy_is_the_same_and_made_once(tmp_path: Path) -> None:
    facts = read_facts(make_recording(tmp_path / "a.steelyard"))
    kept = keep_recording(facts, "saltmarsh", tmp_path / "archive")
    assert kept.read_bytes() == facts.path.read_bytes()
    assert kept.parts[-6:-1][:2] == ("saltmarsh", facts.origin.box_id)
    changed_ns = kept.stat().st_mtime_ns
    assert keep_recording(facts, "saltmarsh", tmp_path / "archive") == kept
    assert kept.stat().st_mtime_ns == changed_ns
    kept.write_bytes(b"something else")
    with pytest.raises(CatalogueError, match="is not the recording"):
        keep_recording(facts, "saltmarsh", tmp_path / "archive")


def test_an_archive_that_cannot_be_written(tmp_path: Path) -> None:
    facts = read_facts(make_recording(tmp_path / "a.steelyard"))
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordingStorageError):
        keep_recording(facts, "saltmarsh", tmp_path / "file")
    with pytest.raises(RecordingStorageError):
        write_columns(facts, "saltmarsh", tmp_path / "file")


def test_questions_over_catalogue_and_columns(two_sites: Path, where: str) -> None:
    archive = two_sites / "archive"
    for site in ("fenside", "saltmarsh"):
        done = run("add", two_sites / site, "--in", where, "--site", site, "--archive", archive)
        assert done.exit_code == 0, done.output
    with Catalogue(where) as catalogue, Questions(catalogue, archive) as questions:
        names, rows = questions.ask(
            "SELECT r.site, r.client_code, count(*) AS samples, min(l.load_counts), max(l.day)"
            " FROM load l JOIN recording r ON r.short = l.recording"
            " GROUP BY ALL ORDER BY r.site, r.client_code"
        )
        assert names[:3] == ["site", "client_code", "samples"]
        assert [row[:2] for row in rows] == [
            ("fenside", "C-001"),
            ("fenside", "C-002"),
            ("saltmarsh", "C-001"),
        ]
        expected = [
            sum(map(len, read_recording(path).loads.values()))
            for path in (
                two_sites / "fenside/a.steelyard",
                two_sites / "fenside/deeper/b.steelyard",
                two_sites / "saltmarsh/a.steelyard",
            )
        ]
        assert [row[2] for row in rows] == expected
        pruned = questions.ask("SELECT DISTINCT box FROM angle WHERE site = 'saltmarsh'")[1]
        assert len(pruned) == 1
        for sql in ("SELECT nothing FROM load", "SELEC", ""):
            if not sql:
                continue
            with pytest.raises(CatalogueError, match="DuckDB"):
                questions.ask(sql)


def test_the_commands(two_sites: Path, tmp_path: Path) -> None:
    where = tmp_path / "c.sqlite"
    done = run("add", two_sites / "fenside", "--in", where, "--site", "fenside")
    assert (done.exit_code, done.output) == (0, "2 entered, 0 were there already\n")
    done = run("add", two_sites / "fenside", "--in", where, "--site", "fenside", "--json")
    assert json.loads(done.stdout) == {"entered": 0, "known": 2, "failures": []}
    done = run("list", "--in", where, "--client", "C-002")
    assert "C-002" in done.stdout
    assert "b.steelyard" in done.stdout
    assert "C-001" not in done.stdout
    assert run("list", "--in", where, "--to", "2000-01-01").stdout == "no recording like that\n"
    result = tmp_path / "found.json"
    result.write_text('{"peak": 1}')
    words = [two_sites / "fenside/a.steelyard", result, "--in", where, "--analysis", "analyse"]
    assert run("result", *words).stdout == "entered\n"
    assert run("result", *words).stdout == "it was there already\n"
    done = run("query", "SELECT content FROM result", "--in", where)
    assert done.stdout == 'content\n{"peak": 1}\n'
    done = run("query", "SELECT count(*) AS n FROM recording", "--in", where, "--json")
    assert json.loads(done.stdout) == [{"n": 2}]


def test_one_bad_file_does_not_keep_the_others_out(two_sites: Path, tmp_path: Path) -> None:
    (two_sites / "fenside" / "broken.steelyard").write_bytes(b"not a recording at all")
    where = tmp_path / "c.sqlite"
    done = run("add", two_sites / "fenside", "--in", where, "--site", "fenside")
    assert done.exit_code == 1
    assert "2 entered" in done.output
    assert "not entered: " in done.output
    assert "broken.steelyard" in done.output


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_archive(two_sites: Path, tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    folder.mkdir(mode=0o500)
    done = run(
        "add", two_sites / "fenside", "--in", tmp_path / "c", "--site", "x", "--archive", folder
    )
    assert done.exit_code == 1
