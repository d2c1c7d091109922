"""What making and proving a report raises on purpose; a branch of the tree in ``errors``."""

from __future__ import annotations

from steelyard.errors import SteelyardError


class ReportError(SteelyardError):
    """A report cannot be made, written or proved."""


class ResultFileError(ReportError):
    """A file is no session result, or of a version not known here."""
