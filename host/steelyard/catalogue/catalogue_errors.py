"""What the catalogue raises on purpose; a branch of the tree in ``steelyard.errors``."""

from __future__ import annotations

from steelyard.errors import SteelyardError


class CatalogueError(SteelyardError):
    """The catalogue cannot be opened, written or asked."""
