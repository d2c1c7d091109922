"""What live distribution raises on purpose; a branch of the tree in ``steelyard.errors``."""

from __future__ import annotations

from steelyard.errors import SteelyardError


class PublishError(SteelyardError):
    """The stream cannot be offered to other programs."""


class AddressError(PublishError):
    """An address to serve on, or a site's name, cannot be used."""


class MissingExtraError(PublishError):
    """A way of publishing needs a library that is not installed."""
