"""All channels of the box, polled in one place."""

from box.channels import AngleChannel, LoadChannel
from box.wire import NO_CHANNEL

_LONG_US = 1000000


class Sampler:
    def __init__(self, board, queue, events, clock):
        self.streaming = False
        self.channels = [None] * len(board.channels)
        self.loads = []
        self.angles = []
        self._shortest_us = _LONG_US
        for index, facts in enumerate(board.channels):
            if not facts.is_load:
                angle = AngleChannel(index, facts, board.boot_id, queue, events, clock)
                self.channels[index] = angle
                self.angles.append(angle)
        for index, facts in enumerate(board.channels):
            if facts.is_load:
                carried = None
                if facts.angle_channel != NO_CHANNEL:
                    carried = self.channels[facts.angle_channel]
                load = LoadChannel(
                    index, facts, carried, board.button, board.boot_id, queue, events, clock
                )
                self.channels[index] = load
                self.loads.append(load)

    def start(self, settings):
        """Take the settings over and bring the amplifiers into a known state."""
        for load in self.loads:
            load.driver.start(settings.load_gain[load.index])
        self.configure(settings)

    def configure(self, settings):
        """Take the settings over."""
        for load in self.loads:
            load.configure(settings.load_gain[load.index], settings.overload_counts[load.index])
        for angle in self.angles:
            angle.configure(settings.angle_rate_millihertz[angle.index])

    def stream(self, streaming):
        """Put samples in the queue from now on, or no longer."""
        self.streaming = streaming
        for channel in self.channels:
            channel.streaming = streaming

    def poll_loads(self, now):
        """Take every conversion that is ready; True when there was one."""
        taken = False
        for load in self.loads:
            if load.is_ready(now):
                load.take(None)
                taken = True
        return taken

    def poll_angles(self, now):
        """Take every angle reading that is due; microseconds until the next one is."""
        self._shortest_us = _LONG_US
        for angle in self.angles:
            wait_us = angle.poll(now)
            if wait_us < self._shortest_us:
                self._shortest_us = wait_us
        return self._shortest_us

    def overloaded(self):
        """True while some force channel is beyond its limit."""
        for load in self.loads:
            if load.watch.overloaded:
                return True
        return False

    def wait_us(self, now):
        """Microseconds until some force channel has work, if no conversion becomes ready before."""
        shortest = _LONG_US
        for load in self.loads:
            wait_us = load.wait_us(now)
            if wait_us < shortest:
                shortest = wait_us
        return shortest
