"""The box at work: one synchronous loop that never waits.

`step` looks once at everything: conversions first, because they are gone if
read late, then what the clock says is due, then requests, then the port.
"""

from box.document_store import DocumentStore
from box.events import EventLog
from box.heartbeat import Heartbeat
from box.inbox import Inbox
from box.introduction import Introduction
from box.keeping import Keeping
from box.memory import Memory
from box.outbox import Outbox
from box.periodic import Periodic
from box.requests import Requests
from box.sample_queue import SampleQueue
from box.sampler import Sampler
from box.self_test import SelfTest
from box.settings import Settings
from box.signals import Signals
from box.transmitter import Transmitter
from box.wire import EVENT_KIND_BUTTON_PRESSED, EVENT_KIND_BUTTON_RELEASED, NO_CHANNEL

_TICK_PERIOD_US = 10000


class App:
    """Wires the box together.

    board: see `board.Board`.  link: read_byte() -> int (-1: none),
    has_room() -> bool, write_slot(view of 32 bytes).  clock: the `time` module
    or its like.  storage: see `drivers.flash_files.FlashFiles`.
    """

    def __init__(self, board, link, clock, storage):
        self._board = board
        self._clock = clock
        self._ticks_us = clock.ticks_us
        self._ticks_diff = clock.ticks_diff
        self._ticks_add = clock.ticks_add
        queue = SampleQueue(board.queue_slots, len(board.channels))
        outbox = Outbox()
        self._events = EventLog(outbox, board.boot_id)
        self._settings = Settings(board.channels, storage)
        self._sampler = Sampler(board, queue, self._events, clock)
        self._transmitter = Transmitter(link, outbox, queue)
        self._self_test = SelfTest(board, self._sampler, self._settings, outbox, clock)
        introduction = Introduction(board, self._settings, outbox)
        store = DocumentStore(storage, len(board.channels))
        keeping = Keeping(store, outbox, board, self._sampler)
        inbox = Inbox(link, clock)
        self._requests = Requests(
            inbox,
            outbox,
            board,
            self._sampler,
            self._settings,
            self._self_test,
            introduction,
            keeping,
            self._events,
            clock,
        )
        self._requests.apply_settings = self._apply_settings
        self._memory = Memory(board, clock)
        self._heartbeat = Heartbeat(
            board,
            self._sampler,
            queue,
            outbox,
            self._transmitter,
            self._requests,
            inbox,
            self._memory,
            clock,
        )
        self._tick_timer = Periodic(clock, _TICK_PERIOD_US)
        self._status_timer = Periodic(clock, self._settings.status_period_ms * 1000)
        self._signals = Signals(board.lamp, board.buzzer)
        self._wake = clock.ticks_us()
        self._sampler.start(self._settings)
        introduction.post(0)
        self._status_owed = False

    def step(self):
        """Do what there is to do; True if there was anything."""
        now = self._ticks_us()
        done = self._sampler.poll_loads(now)
        if self._ticks_diff(now, self._wake) >= 0:
            self._do_timed(now)
            done = True
        if self._transmitter.pump() or done:
            return True
        # Requests wait for a turn without samples; if there is none, for the next status.
        if self._requests.poll():
            return True
        if self._memory.due:
            self._memory.tidy()
        return False

    def idle_us(self):
        """Microseconds until the next timed work, if no conversion or byte comes before."""
        if self._transmitter.can_send():
            return 0
        now = self._ticks_us()
        wait_us = min(self._ticks_diff(self._wake, now), self._sampler.wait_us(now))
        return max(wait_us, 0)

    def _do_timed(self, now):
        wait_us = min(self._sampler.poll_angles(now), _TICK_PERIOD_US)
        self._wake = self._ticks_add(now, max(wait_us, 0))
        if self._tick_timer.due(now):
            self._tick(now)

    def _tick(self, now):
        """What is worth a look 100 times a second."""
        self._look_at_button(now)
        self._signals.poll(self._sampler.overloaded())
        if self._status_timer.due(now):
            self._status_owed = True
            self._signals.beat(self._sampler.streaming)
            self._memory.look_at_clock(now)
            self._requests.poll()
        if self._status_owed:
            self._status_owed = not self._heartbeat.beat()
        if self._self_test.running:
            self._self_test.poll()

    def _look_at_button(self, now):
        button = self._board.button
        if button.poll():
            kind = EVENT_KIND_BUTTON_PRESSED if button.pressed else EVENT_KIND_BUTTON_RELEASED
            self._events.report(now, kind, NO_CHANNEL, 0)

    def _apply_settings(self):
        now = self._ticks_us()
        self._sampler.configure(self._settings)
        self._status_timer.restart(now, self._settings.status_period_ms * 1000)
        self._wake = now
