"""Who the box is: identity, then one description for each channel."""

from box.version import FIRMWARE_VERSION
from box.wire import (
    LAYOUT_HASH,
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    TICKS_PERIOD_US,
    pack_channel_description,
    pack_identity,
)


class Introduction:
    def __init__(self, board, settings, outbox):
        self._board = board
        self._settings = settings
        self._outbox = outbox

    def post(self, correlation_id):
        """Post identity and descriptions, answering request `correlation_id` (0: unasked)."""
        board = self._board
        outbox = self._outbox
        outbox.post(
            pack_identity(
                outbox.scratch,
                1,
                correlation_id,
                PROTOCOL_MAJOR,
                PROTOCOL_MINOR,
                FIRMWARE_VERSION,
                LAYOUT_HASH,
                board.box_id,
                board.boot_id,
                TICKS_PERIOD_US,
                len(board.channels),
                board.queue_slots,
                board.name,
                self._settings.box_name,
            )
        )
        for index, facts in enumerate(board.channels):
            self._describe(correlation_id, index, facts)

    def _describe(self, correlation_id, index, facts):
        settings = self._settings
        rate = facts.nominal_rate_millihertz
        gain = 1
        if facts.is_load:
            gain = settings.load_gain[index]
        else:
            rate = settings.angle_rate_millihertz[index]
        self._outbox.post(
            pack_channel_description(
                self._outbox.scratch,
                1,
                correlation_id,
                self._board.boot_id,
                index,
                facts.kind,
                facts.sensor,
                gain,
                rate,
                facts.counts_low,
                facts.counts_high,
                facts.counts_per_turn,
                facts.angle_channel,
                settings.sensor_serial[index],
            )
        )
