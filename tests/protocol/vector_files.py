"""The golden vectors, read once for every test that holds something against them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from steelyard_protocol.layout import MessageLayout, layouts

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "protocol" / "vectors"


def load(name: str) -> dict[str, Any]:
    data: dict[str, Any] = json.loads((FOLDER / name).read_text(encoding="utf-8"))
    return data


def message_cases() -> list[tuple[MessageLayout, dict[str, Any]]]:
    return [
        (layout, case)
        for layout in layouts()
        for case in load(f"message_{layout.name}.json")["cases"]
    ]


def case_id(value: object) -> str | None:
    if isinstance(value, MessageLayout):
        return value.name
    if isinstance(value, dict):
        return str(value["name"]).replace(" ", "-")
    return None


def record_values(layout: MessageLayout, fields: dict[str, Any]) -> list[Any]:
    """A vector's fields as the values of a record, in order."""
    return [
        bytes.fromhex(fields[item.name])
        if item.is_bytes
        else int(fields[item.name])
        if item.format == "Q"
        else tuple(fields[item.name])
        if item.is_array
        else fields[item.name]
        for item in layout.fields
    ]
