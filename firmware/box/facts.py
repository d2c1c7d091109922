"""What a board says about its channels: kind, part, rates, limits, driver."""

from box.wire import NO_CHANNEL


class LoadFacts:
    """A bridge amplifier.

    `driver`: start(gain), set_gain(gain), poll(now), wait_us(now) and the
    attributes of `drivers.hx711.Hx711`.  `angle_channel`: the angle its
    samples carry, or NO_CHANNEL.
    """

    def __init__(
        self,
        kind,
        sensor,
        driver,
        gains,
        nominal_rate_millihertz,
        lowest_rate_millihertz,
        highest_rate_millihertz,
        counts_low,
        counts_high,
        default_overload_counts,
        quiet_counts,
        angle_channel=NO_CHANNEL,
    ):
        self.kind = kind
        self.sensor = sensor
        self.driver = driver
        self.gains = gains
        self.nominal_rate_millihertz = nominal_rate_millihertz
        self.lowest_rate_millihertz = lowest_rate_millihertz
        self.highest_rate_millihertz = highest_rate_millihertz
        self.counts_low = counts_low
        self.counts_high = counts_high
        self.counts_per_turn = 0
        self.default_overload_counts = default_overload_counts
        self.quiet_counts = quiet_counts
        self.angle_channel = angle_channel
        self.is_load = True


class AngleFacts:
    """An angle sensor, read at a rate the owner may set between two limits.

    `driver`: read(now) and the attributes of `drivers.as5600.As5600`.
    """

    def __init__(
        self,
        kind,
        sensor,
        driver,
        nominal_rate_millihertz,
        slowest_millihertz,
        fastest_millihertz,
        counts_high,
        counts_per_turn,
        counts_low=0,
    ):
        self.kind = kind
        self.sensor = sensor
        self.driver = driver
        self.nominal_rate_millihertz = nominal_rate_millihertz
        self.slowest_millihertz = slowest_millihertz
        self.fastest_millihertz = fastest_millihertz
        self.counts_low = counts_low
        self.counts_high = counts_high
        self.counts_per_turn = counts_per_turn
        self.angle_channel = NO_CHANNEL
        self.is_load = False
