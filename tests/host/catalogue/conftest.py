"""Recordings of two sites, and a catalogue in each kind of database."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from host.catalogue.own_postgres import NEEDS, postgres
from host.recording.ideal_box import FrameSource, VirtualClock, encoded
from steelyard.recording.documents import Document
from steelyard.recording.file_format import Subject
from steelyard.recording.writer import RecordingWriter


def make_recording(
    path: Path,
    boot_id: int = 1,
    seconds: int = 5,
    client: str = "C-001",
    documents: tuple[Document, ...] = (),
    skipped: int = 0,
) -> Path:
    """A small sound recording of an ideal box (or, with ``skipped``, one with a gap)."""
    path.parent.mkdir(parents=True, exist_ok=True)
    clock, source = VirtualClock(), FrameSource(boot_id=boot_id)
    with RecordingWriter(path, clock, Subject("Heron", client), documents) as writer:
        writer.describe_box(source.identity(), source.channels())
        writer.link_opened()
        for second in range(seconds):
            writer.append_device_bytes(encoded(source.second(second)))
            clock.advance_s(1)
            writer.mark_time(source.mark(second + 1, clock))
            if second == 1:
                source.skip(0, skipped)
    return path


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    if NEEDS:
        pytest.skip(NEEDS)
    with postgres() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty database of either kind."""
    if request.param == "sqlite":
        return str(tmp_path / "catalogue.sqlite")
    url = str(request.getfixturevalue("postgres_url"))
    import sqlalchemy

    engine = sqlalchemy.create_engine(url)
    with engine.begin() as connection:
        connection.execute(sqlalchemy.text("DROP SCHEMA public CASCADE"))
        connection.execute(sqlalchemy.text("CREATE SCHEMA public"))
    engine.dispose()
    return url
