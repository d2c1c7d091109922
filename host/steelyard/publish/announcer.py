"""What a session with a box says to the consumers: metadata, samples, link, status."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Final

from steelyard_protocol.records import TimeMark

from steelyard.calibration import AnyCalibration
from steelyard.device import BoxDescription, Poll
from steelyard.errors import DeviceError, ProtocolError
from steelyard.publish.arrivals import Arrivals
from steelyard.publish.bulletin import Bulletin, Kind, json_bulletin
from steelyard.publish.joint import GivenProfile
from steelyard.publish.metadata import metadata_bulletin
from steelyard.publish.scales import BoxScales, check_channels
from steelyard.recording.listener import SessionListener
from steelyard.transport.port import HostClock

SILENCE_SECONDS: Final = 1.0
"""Without a sample for so long, the stream says NOT LIVE."""
STATUS_SECONDS: Final = 1.0


class Announcer(SessionListener):
    """Turns what a session tells into messages and posts them; posting never waits."""

    def __init__(
        self,
        post: Callable[[Bulletin], None],
        description: BoxDescription,
        calibrations: Sequence[AnyCalibration],
        site: str,
        machine: str,
        profile: GivenProfile | None = None,
    ) -> None:
        """Say what the stream is.

        Raises:
            WrongBoxError: a calibration belongs elsewhere.
            WrongMachineError: the profile does.
        """
        _check(calibrations, profile, description)
        self.profile = profile
        self.arrivals = Arrivals()
        self.calibrations = tuple(calibrations)
        self._post = post
        self._site, self._machine = site, machine
        self._live: bool | None = None
        self._sample_seconds = self._status_due = time.monotonic()
        self._description = description
        self._scales = self._described()

    @property
    def is_live(self) -> bool:
        """Whether samples come."""
        return bool(self._live)

    def use(
        self, calibrations: Sequence[AnyCalibration], profile: GivenProfile | None = None
    ) -> None:
        """Put other calibrations in force, and another profile if one is given; say so.

        Raises:
            WrongBoxError, WrongMachineError: one belongs elsewhere; all stays as it was.
        """
        _check(calibrations, profile, self._description)
        self.calibrations = tuple(calibrations)
        self.profile = profile or self.profile
        self._scales = self._described()

    # --- what the session tells -----------------------------------------------------

    def link_opened(self, description: BoxDescription, at: HostClock) -> None:
        """Samples may take a moment to come."""
        self._sample_seconds = time.monotonic()

    def heard(self, poll: Poll) -> None:
        """Pass on samples, events, gaps and frames."""
        if not poll.raw:
            return
        before = self.arrivals.samples_total
        bulletins = self.arrivals.bulletins(poll, self._scales)
        if self.arrivals.samples_total > before:
            self._sample_seconds = time.monotonic()
            self.tell_link(True, "")
        for bulletin in bulletins:
            self._post(bulletin)

    def clocks_compared(self, mark: TimeMark | None) -> None:
        """Samples after this have a better time."""
        if mark is None:
            self.arrivals.clock_timeouts_total += 1
        else:
            self.arrivals.clock.add(mark)

    def box_restarted(self, at: HostClock) -> None:
        """Say that it did."""
        self.tell_link(False, "the box has started anew")

    def box_described(self, description: BoxDescription) -> None:
        """Say what the stream is from now on."""
        self._description = description
        self._scales = self._described()

    def link_lost(self, error: DeviceError | ProtocolError, for_good: bool, at: HostClock) -> None:
        """Say why."""
        self.arrivals.link_lost()
        self.tell_link(False, error.what)

    def box_refused(self, error: DeviceError | ProtocolError, at: HostClock) -> None:
        """Say why the box is still away."""
        self.tell_link(False, error.what)

    # --- by itself --------------------------------------------------------------------

    def watch_silence(self) -> None:
        """Say NOT LIVE when no samples come, though the link seems to stand."""
        if time.monotonic() - self._sample_seconds > SILENCE_SECONDS:
            self.tell_link(False, "no samples come from the box")

    def tell_link(self, live: bool, reason: str) -> None:
        """Say that the stream became live, or stopped being so; not twice the same."""
        if live == self._live:
            return
        self._live = live
        self._post(
            json_bulletin(
                Kind.LINK,
                {"live": live, "reason": reason, "at_unix_us": time.time_ns() // 1000},
            )
        )

    def tell_status(self, openings_total: int) -> bool:
        """Say how things are, once a second; True when it did."""
        now = time.monotonic()
        if now < self._status_due:
            return False
        self._status_due = now + STATUS_SECONDS
        self._post(
            json_bulletin(
                Kind.STATUS,
                {
                    "live": self.is_live,
                    "at_unix_us": time.time_ns() // 1000,
                    **self.arrivals.state(),
                    "openings_total": openings_total,
                },
            )
        )
        return True

    def _described(self) -> BoxScales:
        profile = self.profile.profile if self.profile is not None else None
        scales = BoxScales(self.calibrations, self._description, datetime.now(UTC), profile)
        self._post(metadata_bulletin(self._description, scales, self._site, self._machine, profile))
        return scales


def _check(
    calibrations: Sequence[AnyCalibration],
    profile: GivenProfile | None,
    description: BoxDescription,
) -> None:
    check_channels(calibrations, description)
    if profile is not None:
        profile.profile.require("", description.box_id_text)
