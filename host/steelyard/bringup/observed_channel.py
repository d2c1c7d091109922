"""What every judged channel has: its description, what was seen of it, findings about it."""

from __future__ import annotations

from dataclasses import dataclass

from steelyard_protocol.records import ChannelDescription

from steelyard.bringup.finding import Finding, Severity
from steelyard.bringup.observation import ChannelObservation


@dataclass(frozen=True)
class ObservedChannel:
    """One channel of a box with what was seen of it."""

    description: ChannelDescription
    seen: ChannelObservation

    @property
    def subject(self) -> str:
        """Name for people."""
        raise NotImplementedError

    def finding(
        self, code: str, severity: Severity, measured: str, expected: str, cause: str, advice: str
    ) -> Finding:
        """A finding about this channel."""
        return Finding(
            code,
            severity,
            self.description.channel,
            self.subject,
            measured,
            expected,
            cause,
            advice,
        )
