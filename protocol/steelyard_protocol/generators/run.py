"""Writes or checks every generated file."""

from __future__ import annotations

import json
from pathlib import Path

from ..compatibility import incompatibilities
from ..layout import snapshot
from ..messages import PROTOCOL_MAJOR, PROTOCOL_MINOR
from . import c_header, device_codec, host_records, javascript, reference_page, vectors


def _texts(root: Path) -> dict[Path, str]:
    return {
        root / "protocol/steelyard_protocol/records.py": host_records.render(),
        root / "firmware/box/wire.py": device_codec.render(),
        root / "protocol/MESSAGES.md": reference_page.render(),
        root / "protocol/languages/steelyard_protocol.h": c_header.render(),
        root / "protocol/languages/steelyard_protocol.mjs": javascript.render_module(),
        root / "protocol/languages/steelyard_protocol.d.mts": javascript.render_types(),
    }


def _snapshot_path(root: Path) -> Path:
    return root / f"protocol/snapshots/{PROTOCOL_MAJOR}.{PROTOCOL_MINOR}.json"


def write(root: Path) -> list[Path]:
    """Write what has changed; vectors and snapshots only when they do not exist yet."""
    written = []
    for path, text in _texts(root).items():
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
            written.append(path)
    path = _snapshot_path(root)
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(snapshot(), indent=1) + "\n", encoding="utf-8", newline="\n")
        written.append(path)
    return written + vectors.add_missing(root / "protocol/vectors")


def check(root: Path) -> list[str]:
    """What is stale, missing or incompatible; empty: all is well."""
    found = []
    for path, text in _texts(root).items():
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            found.append(f"{path.name} is stale; run tools/generate.py")
    now = json.loads(json.dumps(snapshot()))
    if not _snapshot_path(root).exists():
        found.append("this version has no snapshot; run tools/generate.py")
    for path in sorted((root / "protocol/snapshots").glob("*.json")):
        released = json.loads(path.read_text(encoding="utf-8"))
        found += [f"against {path.stem}: {problem}" for problem in incompatibilities(released, now)]
    return found + vectors.problems(root / "protocol/vectors")
