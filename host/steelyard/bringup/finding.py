"""What a check has to say: a finding where something is wrong, a measured value in any case."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Severity(Enum):
    """How bad it is."""

    FAULT = "fault"
    """Measurements cannot be trusted until it is put right."""
    WARNING = "warning"
    """It works, but not as it should."""
    NOTE = "note"
    """Worth knowing."""


@dataclass(frozen=True)
class Finding:
    """Something wrong.

    ``code`` is a stable name for programs; ``channel`` None for box, link and computer.
    ``measured`` and ``expected`` carry numbers and units; ``cause`` is the likely one.
    """

    code: str
    severity: Severity
    channel: int | None
    subject: str
    measured: str
    expected: str
    cause: str
    advice: str


@dataclass(frozen=True)
class Measured:
    """One figure that was measured, right or wrong."""

    channel: int | None
    subject: str
    name: str
    value: float
    unit: str
    expected: str
