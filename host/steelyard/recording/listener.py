"""What a session with a box tells, to whoever listens: a recording, a publisher, a screen."""

from __future__ import annotations

from steelyard_protocol.records import TimeMark

from steelyard.device import BoxDescription, Poll
from steelyard.errors import DeviceError, ProtocolError
from steelyard.transport.port import HostClock


class SessionListener:
    """Base of all listeners: hears everything and does nothing about it.

    Every method is called in the session's own thread and must not wait.  ``at``
    is the moment it happened, as a clock that stands still.
    """

    def link_opened(self, description: BoxDescription, at: HostClock) -> None:
        """The box is there: when listening begins, and whenever a lost link is back."""

    def heard(self, poll: Poll) -> None:
        """What came since the last call; ``poll.raw`` is empty when nothing did."""

    def clocks_compared(self, mark: TimeMark | None) -> None:
        """The box's clock was compared with the host's; None: it did not answer."""

    def box_restarted(self, at: HostClock) -> None:
        """The box started anew behind the open link; it is about to be asked who it is."""

    def box_described(self, description: BoxDescription) -> None:
        """The box has said anew who it is, after a restart or a lost link."""

    def link_lost(self, error: DeviceError | ProtocolError, for_good: bool, at: HostClock) -> None:
        """The link went away; ``for_good``: a recording played to its end, nothing will come."""

    def box_refused(self, error: DeviceError | ProtocolError, at: HostClock) -> None:
        """Something answered that is not our box, or our box did not answer in time."""
