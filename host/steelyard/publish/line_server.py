"""Plain TCP, one JSON object a line: for the simplest consumer there is.

``nc localhost 5391`` shows it.  The consumer says nothing; what it does say is
thrown away.
"""

from __future__ import annotations

from steelyard.publish.bulletin import Bulletin, Kind, json_bulletin
from steelyard.publish.connection import Connection


class LineConnection(Connection):
    """A consumer of JSON lines."""

    def begun(self) -> None:
        """Join at once: there is no handshake."""
        if not self.hub.join(self):
            refusal = json_bulletin(
                Kind.LINK, {"live": False, "reason": "too many consumers are connected"}
            )
            self.write(refusal.line)
            self.close()

    def wanted(self, bulletin: Bulletin) -> bool:
        """Everything that is JSON."""
        return bulletin.kind is not Kind.WIRE

    def encoded(self, bulletin: Bulletin) -> bytes:
        """One line."""
        return bulletin.line
