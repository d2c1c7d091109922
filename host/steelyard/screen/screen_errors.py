"""What the screens raise on purpose; a branch of the tree in ``steelyard.errors``."""

from __future__ import annotations

from steelyard.errors import SteelyardError


class ScreenError(SteelyardError):
    """The screens cannot be served."""


class MissingExtraError(ScreenError):
    """The screens need a library that is not installed."""


class ServingError(ScreenError):
    """The address cannot be served."""


class StreamError(ScreenError):
    """The process that listens to the box cannot be started, or has ended."""


class PairingError(ScreenError):
    """A pairing code was refused."""


class PairingDelayError(PairingError):
    """Too many wrong codes: nobody may try for a while.  ``seconds`` says how long."""

    def __init__(self, what: str, advice: str, seconds: float) -> None:
        super().__init__(what, advice)
        self.seconds = seconds
