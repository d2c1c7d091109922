"""What live distribution raises on purpose, from the tree in ``steelyard.errors``."""

from __future__ import annotations

from steelyard.errors import AddressError, ControlError, MissingExtraError, PublishError

__all__ = ["AddressError", "ControlError", "MissingExtraError", "PublishError"]
