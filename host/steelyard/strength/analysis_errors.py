"""What the analysis of a session raises on purpose, from the tree in ``steelyard.errors``."""

from __future__ import annotations

from steelyard.errors import AnalysisError, ProfileError, SheetError, WrongMachineError

__all__ = ["AnalysisError", "ProfileError", "SheetError", "WrongMachineError"]
