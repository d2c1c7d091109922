"""One client's whole record, to be handed over: JSON, a list of recordings, and those if wanted."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import shutil
import zipfile
from datetime import datetime
from decimal import Decimal
from enum import Enum
from pathlib import Path
from typing import Any, Final

from steelyard import __version__
from steelyard.errors import AlreadyKeptError, StoreDiskError
from steelyard.store.audit_trail import read_trail
from steelyard.store.clients import Clients, client_row
from steelyard.store.consents import Consents
from steelyard.store.database import Database
from steelyard.store.kept import Visit, VisitFilter
from steelyard.store.limits import LimitsKept
from steelyard.store.recording_files import is_untouched
from steelyard.store.results import Results
from steelyard.store.set_ups import SetUps
from steelyard.store.visits import Visits

SCHEMA: Final = "steelyard client record"
SCHEMA_VERSION: Final = 1
_STATES: Final = {True: "as filed", False: "changed since it was filed", None: "not there"}


def export_client(database: Database, code: str, target: Path, *, recordings_too: bool) -> Path:
    """Write the record of one client into a new folder or zip; see ``Records.export_client``."""
    content = client_content(database, code)
    target = target.absolute()
    if target.exists():
        raise AlreadyKeptError(
            f"{target} exists already.", "Give another name; nothing is written over."
        )
    part = target.with_name(f"{target.name}.part")
    files = [file for visit in content["visits"] for file in visit["recordings"]]
    try:
        if part.exists():
            _remove(part)
        target.parent.mkdir(parents=True, exist_ok=True)
        chosen = _sources(files) if recordings_too else {}
        if target.suffix.lower() == ".zip":
            _write_zip(part, _texts(content, files), chosen)
        else:
            _write_folder(part, _texts(content, files), chosen)
        part.replace(target)
    except OSError as error:
        _remove(part)
        raise StoreDiskError(
            f"The record could not be written to {target}: {error.strerror or error}.",
            "Check space and folder, and export again.",
        ) from error
    return target


def client_content(database: Database, code: str) -> dict[str, Any]:
    """Everything that is kept of one client, as plain values for JSON."""
    client = Clients(database).get(code)
    visits = Visits(database)
    lines = visits.list(VisitFilter(client=client.code))
    with database.reading() as session:
        audit = read_trail(session, client_row(session, client.code).id)
    found = {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "software": f"steelyard {__version__}",
        "exported_at": database.now(),
        "client": client,
        "set_ups": SetUps(database).history(client.code),
        "limits": LimitsKept(database).history(client.code),
        "consents": Consents(database).history(client.code),
        "visits": [_visit(database, visits.get(line.visit_id)) for line in reversed(lines)],
        "audit": audit[::-1],
    }
    content: dict[str, Any] = _plain(found)
    return content


def _visit(database: Database, visit: Visit) -> dict[str, Any]:
    results = Results(database)
    return {
        **vars(visit),
        "recordings": [
            {**vars(file), "state": _STATES[is_untouched(file)]} for file in visit.recordings
        ],
        "results": [
            {**_fields(one), "analysis": results.analysis(one.result_id)}
            for one in results.of_visit(visit.visit_id)
        ],
    }


def _fields(record: Any) -> dict[str, Any]:
    return {item.name: getattr(record, item.name) for item in dataclasses.fields(record)}


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return _plain(_fields(value))
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Enum):
        return value.value
    return str(value) if isinstance(value, Decimal) else value


def _texts(content: dict[str, Any], files: list[dict[str, Any]]) -> dict[str, str]:
    lines = [f"{file['sha256']}  {file['path']}  ({file['state']})" for file in files]
    return {
        f"{content['client']['code']}.json": json.dumps(
            content, indent=2, ensure_ascii=False, allow_nan=False
        )
        + "\n",
        "recordings.txt": "\n".join(["SHA-256  file  (state)", *lines]) + "\n",
    }


def _sources(files: list[dict[str, Any]]) -> dict[str, Path]:
    """Recordings by their name in the export; those that are the very ones that were filed."""
    chosen: dict[str, Path] = {}
    for file in files:
        path = Path(file["path"])
        if file["state"] == _STATES[True]:
            name = path.name if path.name not in chosen else f"{file['recording_id']}-{path.name}"
            chosen[name] = path
    return chosen


def _write_folder(part: Path, texts: dict[str, str], sources: dict[str, Path]) -> None:
    part.mkdir(mode=0o700)
    for name, text in texts.items():
        (part / name).write_text(text, encoding="utf-8")
    for name, path in sources.items():
        shutil.copyfile(path, part / name)


def _write_zip(part: Path, texts: dict[str, str], sources: dict[str, Path]) -> None:
    with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in texts.items():
            archive.writestr(name, text)
        for name, path in sources.items():
            archive.write(path, name)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink()
