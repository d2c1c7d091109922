"""What the server knows about one machine and its visit: the one state that all pages show.

Pages and displays hold nothing of their own; a reload, a second tab or another
tablet shows the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from steelyard.screen.live.feed import Feed
from steelyard.strength.machine_profile import MachineProfile


@dataclass
class Desk:
    """One machine.  ``rehearsal``: the virtual client's manner; empty with a real box."""

    profile: MachineProfile
    feed: Feed
    rehearsal: str = ""
    range_degrees: tuple[float, float] | None = None
    stopped: str = ""
    """When the big stop was pressed; empty: it was not, or all is well again."""

    def stop(self) -> None:
        """The big stop: everybody sees it at once."""
        self.stopped = f"{datetime.now():%H:%M:%S}"

    @property
    def shown_range(self) -> tuple[float, float]:
        """Range of the plot in degrees: the client's own, or the machine's travel."""
        return self.range_degrees or self.profile.travel_degrees

    def display_view(self) -> dict[str, Any]:
        """What the client display shows besides the live points; nothing personal."""
        return {
            "machine": self.profile.name,
            "range_degrees": list(self.shown_range),
            "limit_nm": self.profile.torque_limit_nm,
            "stop": bool(self.stopped),
            "word": "STOP" if self.stopped else "",
        }
