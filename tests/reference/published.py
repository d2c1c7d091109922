"""Reading the published figures kept beside this file."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

_FOLDER = Path(__file__).parent


def table(name: str) -> list[dict[str, str]]:
    """Rows of a CSV file, comment lines (#) left out."""
    lines = (_FOLDER / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def document(name: str) -> dict[str, Any]:
    """Content of a JSON file."""
    content: dict[str, Any] = json.loads((_FOLDER / name).read_text(encoding="utf-8"))
    return content
