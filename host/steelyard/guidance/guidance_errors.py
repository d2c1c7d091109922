"""What the steps of a visit raise on purpose; a branch of the tree in ``steelyard.errors``."""

from __future__ import annotations

from steelyard.errors import SteelyardError


class ActionRefusedError(SteelyardError):
    """An operator asked for what cannot be done now, or must not be."""


class VisitStateError(SteelyardError):
    """A kept visit cannot be understood, or belongs to another machine."""
