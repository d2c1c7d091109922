"""A potentiometer as angle sensor, read by the microcontroller's own converter.

Wired between the converter's reference and ground, so that the supply cancels
(ratiometric).  The converter has about 8.7 effective bits and is uneven at a
few codes, so one reading is the mean of sixteen.  A pull-down on the wiper and
a small resistor at either end keep a sound potentiometer off the rails: what
sits on a rail is a broken wire.
"""

from box.wire import NO_COUNTS, SAMPLE_FLAGS_OPEN_CIRCUIT

COUNTS_HIGH = 65535

_READINGS_SHIFT = 4
_RAIL_COUNTS = 328  # half a percent of the range


class Potentiometer:
    """After `read`: `counts` and `flags` of one sample."""

    sensor_status = 0
    sensor_gain = 0
    bus_error_total = 0
    invalid_transitions_total = 0

    def __init__(self, converter):
        self._read_u16 = converter.read_u16
        self.counts = NO_COUNTS
        self.flags = 0

    def read(self, _now):
        read_u16 = self._read_u16
        total = 0
        for _ in range(1 << _READINGS_SHIFT):
            total += read_u16()
        counts = total >> _READINGS_SHIFT
        if _RAIL_COUNTS <= counts <= COUNTS_HIGH - _RAIL_COUNTS:
            self.counts = counts
            self.flags = 0
        else:
            self.counts = NO_COUNTS
            self.flags = SAMPLE_FLAGS_OPEN_CIRCUIT
