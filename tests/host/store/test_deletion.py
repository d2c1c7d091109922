"""A client deleted for good: in the tables, in the bytes, in the copies; and exported before."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pytest
from host.store import invented
from host.store.conftest import Clock
from host.store.test_visits import FACTS, log
from steelyard.errors import AlreadyKeptError, NotKeptError, StoreDiskError
from steelyard.store import Records, open_records
from steelyard.store.kept import Limits
from steelyard.store.recording_files import describe_recording
from steelyard.strength.profile_file import ready_profile

CODE, OTHER = "Q-86420", "C-001"
NOTE = "remarkably unmistakable sentence"


def fill(records: Records, clock: Clock, folder: Path) -> list[Path]:
    """Two clients with everything; the files of the one to be deleted."""
    files = []
    for number, code in enumerate((OTHER, CODE), start=1):
        records.clients.add(code, NOTE if code == CODE else "stays", "cautions " + code)
        records.set_ups.save(code, "heron", {"seat_height": code})
        records.limits.save(code, "heron", Limits((-5.0, 50.0)))
        records.consents.give(code)
        for turn in range(4):
            visit = log(records, clock, code, note=f"{code} {turn}", service="spine-only")
            path = folder / f"recording-{number}-{turn}.steelyard"
            path.write_bytes(code.encode() * (turn + 1))
            file = describe_recording(path, f"id-{number}-{turn}")
            records.results.file(
                visit.visit_id, invented.session(), ready_profile("heron"), FACTS, file, []
            )
            files += [path] if code == CODE else []
    return files


def bytes_with(folder: Path, wanted: str) -> list[str]:
    return [
        path.name
        for path in folder.rglob("*")
        if path.is_file() and wanted.encode() in path.read_bytes()
    ]


def test_nothing_of_the_client_is_left_in_any_byte(tmp_path: Path, clock: Clock) -> None:
    home = tmp_path / "practice"
    with open_records(home, operator="AB", now=clock) as records:
        files = fill(records, clock, tmp_path)
        records.copies.make()
        assert bytes_with(home, CODE)  # the search finds what is there
        files[1].write_bytes(b"another file by now")
        files[2].unlink()
        done = records.delete_client(CODE, recordings_too=True)
        assert (done.visits_total, done.results_total, done.copies_cleaned) == (4, 4, 1)
        assert done.remarks == ()
        assert [Path(file.path) for file in done.recordings_deleted] == [files[0], files[3]]
        assert [Path(file.path) for file in done.recordings_left] == [files[1]]
        assert files[1].exists()  # not the file that was filed: not ours to delete
        # while the records are still open, write-ahead log and all
        for wanted in (CODE, NOTE, "id-2-0"):
            assert bytes_with(home, wanted) == [], wanted
        checked = records.check()
        assert checked.erased_total == done.audit_entries_erased == 12
        with pytest.raises(NotKeptError):
            records.clients.get(CODE)
        assert records.visits.count() == 4
        assert len(records.audit(OTHER, None)) == 12
        last = records.audit(limit=1)[0]
        assert last.act == "client deleted"
        assert last.client is None
        assert CODE not in str(last)
    with open_records(home, operator="AB", now=clock) as records:
        for copy in records.copies.list():
            with open_records(_opened_copy(copy.path, tmp_path), operator="AB", now=clock) as old:
                assert old.check().erased_total == 12
                assert [line.code for line in old.clients.list()] == [OTHER]


def _opened_copy(copy: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "looked-at"
    folder.mkdir(exist_ok=True)
    (folder / "practice.records").write_bytes(copy.read_bytes())
    return folder


def test_the_tables_hold_nothing_of_it_on_either_database(
    records: Records, clock: Clock, tmp_path: Path
) -> None:
    files = fill(records, clock, tmp_path)
    done = records.delete_client(CODE)
    assert len(done.recordings_left) == len(files)
    assert all(path.exists() for path in files)
    from sqlalchemy import select
    from steelyard.store.tables import Table

    with records._database.engine.connect() as connection:
        for table in Table.metadata.sorted_tables:
            for row in connection.execute(select(table)):
                assert CODE not in str(row), table.name
    assert records.check().erased_total == done.audit_entries_erased
    records.clients.add(CODE)  # the code is free again, and has no past
    assert records.visits.list() != []
    assert records.set_ups.history(CODE) == []


def test_mentions_in_notes_of_others_are_pointed_out(records: Records, clock: Clock) -> None:
    records.clients.add("C-001")
    records.clients.add("C-002", "comes together with C-001")
    done = records.delete_client("C-001")
    assert any("C-002" in remark for remark in done.remarks)
    with pytest.raises(NotKeptError):
        records.delete_client("C-001")


@pytest.mark.parametrize("name", ["handed-over", "handed-over.zip"])
def test_the_whole_record_is_handed_over(
    records: Records, clock: Clock, tmp_path: Path, name: str
) -> None:
    files = fill(records, clock, tmp_path)
    files[1].write_bytes(b"changed")
    files[2].unlink()
    target = records.export_client(CODE, tmp_path / name, recordings_too=True)
    if target.suffix:
        with zipfile.ZipFile(target) as archive:
            assert archive.testzip() is None
            archive.extractall(tmp_path / "unpacked")
        target = tmp_path / "unpacked"
    names = {path.name for path in target.iterdir()}
    assert names == {f"{CODE}.json", "recordings.txt", files[0].name, files[3].name}
    content = json.loads((target / f"{CODE}.json").read_text(encoding="utf-8"))
    assert content["client"]["note"] == NOTE
    assert len(content["visits"]) == 4
    visit = content["visits"][0]
    assert visit["results"][0]["stations"][0]["torque"]["unit"] == "N·m"
    assert visit["results"][0]["analysis"] == records.results.analysis(
        visit["results"][0]["result_id"]
    )
    states = [visit["recordings"][0]["state"] for visit in content["visits"]]
    assert states == ["as filed", "changed since it was filed", "not there", "as filed"]
    assert OTHER not in json.dumps(content)
    assert "changed since" in (target / "recordings.txt").read_text(encoding="utf-8")


def test_an_export_writes_over_nothing_and_leaves_no_halves(
    records: Records, tmp_path: Path
) -> None:
    records.clients.add("C-001")
    (tmp_path / "there").mkdir()
    with pytest.raises(AlreadyKeptError):
        records.export_client("C-001", tmp_path / "there")
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreDiskError):
        records.export_client("C-001", tmp_path / "file" / "inside")
    with pytest.raises(NotKeptError):
        records.export_client("C-002", tmp_path / "new")
    assert not (tmp_path / "new").exists()
