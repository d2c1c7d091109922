"""Answer the host's requests.

Each is safe to repeat: a host that lost an answer sends the same request, with
the same correlation id, again.  A request is read only while there is room for
the longest answer, so none is ever left unanswered; until then it waits in the
port, where the host can see that it does.
"""

from struct import unpack_from

from box.outbox import ANSWER_SLOTS
from box.settings import BadSettingError
from box.wire import (
    EVENT_KIND_STREAM_STARTED,
    EVENT_KIND_STREAM_STOPPED,
    ID_IDENTIFY,
    ID_READ_CLOCK,
    ID_READ_FLAG_TOTALS,
    ID_READ_SETTING,
    ID_RUN_SELF_TEST,
    ID_START_STREAM,
    ID_STOP_STREAM,
    ID_WRITE_SETTING,
    NO_CHANNEL,
    OUTCOME_BAD_ARGUMENT,
    OUTCOME_DONE,
    OUTCOME_NOT_AVAILABLE,
    OUTCOME_REFUSED_WHILE_STREAMING,
    OUTCOME_STORAGE_FAILED,
    OUTCOME_UNKNOWN_REQUEST,
    REQUEST_BYTES,
    pack_clock_reading,
    pack_flag_totals,
    pack_reply,
    pack_setting,
    unpack_identify,
    unpack_read_clock,
    unpack_read_flag_totals,
    unpack_read_setting,
    unpack_run_self_test,
    unpack_start_stream,
    unpack_stop_stream,
    unpack_write_setting,
)

_FIRST_REQUEST_ID = 0x40
_LAST_REQUEST_ID = 0x7F
_SMALLEST_REQUEST_BYTES = 3  # id and correlation id


class Requests:
    """`apply_settings` is called with no argument after a setting has changed."""

    def __init__(
        self,
        inbox,
        outbox,
        board,
        sampler,
        settings,
        self_test,
        introduction,
        keeping,
        events,
        clock,
    ):
        self._inbox = inbox
        self._outbox = outbox
        self._boot_id = board.boot_id
        self._sampler = sampler
        self._settings = settings
        self._self_test = self_test
        self._introduction = introduction
        self._events = events
        self._ticks_us = clock.ticks_us
        self.apply_settings = None
        self.requests_total = 0
        self._answers = {
            ID_IDENTIFY: (unpack_identify, self._identify),
            ID_START_STREAM: (unpack_start_stream, self._start_stream),
            ID_STOP_STREAM: (unpack_stop_stream, self._stop_stream),
            ID_READ_CLOCK: (unpack_read_clock, self._read_clock),
            ID_READ_SETTING: (unpack_read_setting, self._read_setting),
            ID_WRITE_SETTING: (unpack_write_setting, self._write_setting),
            ID_RUN_SELF_TEST: (unpack_run_self_test, self._run_self_test),
            ID_READ_FLAG_TOTALS: (unpack_read_flag_totals, self._read_flag_totals),
        }
        keeping.reply = self._reply
        self._answers.update(keeping.answers())

    def poll(self):
        """Read and answer one request; True when there was one."""
        outbox = self._outbox
        if outbox.capacity - outbox.count < ANSWER_SLOTS:
            return False
        size = self._inbox.poll()
        if size:
            self._answer(size)
        return size > 0

    def _answer(self, size):
        frame = self._inbox.frame
        request_id = frame[1]
        if request_id in self._answers:
            if size != REQUEST_BYTES[request_id]:
                self._inbox.refuse(size)  # a known id of the wrong length is corrupt
                return
            self.requests_total += 1
            unpack, answer = self._answers[request_id]
            answer(*unpack(frame, 1))
        elif _FIRST_REQUEST_ID <= request_id <= _LAST_REQUEST_ID and (
            size >= _SMALLEST_REQUEST_BYTES
        ):
            self.requests_total += 1
            correlation_id = unpack_from("<H", frame, 2)[0]
            self._reply(correlation_id, request_id, OUTCOME_UNKNOWN_REQUEST)
        else:
            # Not a request at all, perhaps our own frames echoed by a loop in
            # the wiring: answering would feed the loop.
            self._inbox.refuse(size)

    def _reply(self, correlation_id, request_id, outcome, detail=0):
        outbox = self._outbox
        outbox.post(
            pack_reply(
                outbox.scratch, 1, correlation_id, self._boot_id, request_id, outcome, detail
            )
        )

    def _identify(self, correlation_id):
        self._introduction.post(correlation_id)

    def _start_stream(self, correlation_id):
        if self._self_test.running:
            self._reply(correlation_id, ID_START_STREAM, OUTCOME_NOT_AVAILABLE)
            return
        if not self._sampler.streaming:
            self._sampler.stream(True)
            self._events.report(self._ticks_us(), EVENT_KIND_STREAM_STARTED, NO_CHANNEL, 0)
        self._reply(correlation_id, ID_START_STREAM, OUTCOME_DONE)

    def _stop_stream(self, correlation_id):
        if self._sampler.streaming:
            self._sampler.stream(False)
            self._events.report(self._ticks_us(), EVENT_KIND_STREAM_STOPPED, NO_CHANNEL, 0)
        self._reply(correlation_id, ID_STOP_STREAM, OUTCOME_DONE)

    def _read_clock(self, correlation_id):
        outbox = self._outbox
        outbox.post(
            pack_clock_reading(
                outbox.scratch,
                1,
                correlation_id,
                self._boot_id,
                self._inbox.received_ticks_us,
                self._ticks_us(),
            )
        )

    def _read_setting(self, correlation_id, key, channel):
        try:
            self._post_setting(correlation_id, key, channel)
        except BadSettingError as refused:
            self._reply(correlation_id, ID_READ_SETTING, OUTCOME_BAD_ARGUMENT, refused.value)

    def _write_setting(self, correlation_id, key, channel, number, text):
        if self._sampler.streaming:
            self._reply(correlation_id, ID_WRITE_SETTING, OUTCOME_REFUSED_WHILE_STREAMING)
            return
        try:
            self._settings.write(key, channel, number, text)
        except BadSettingError as refused:
            self._reply(correlation_id, ID_WRITE_SETTING, OUTCOME_BAD_ARGUMENT, refused.value)
        except OSError:
            self._reply(correlation_id, ID_WRITE_SETTING, OUTCOME_STORAGE_FAILED)
        else:
            self.apply_settings()
            self._post_setting(correlation_id, key, channel)

    def _post_setting(self, correlation_id, key, channel):
        number, text = self._settings.read(key, channel)
        outbox = self._outbox
        outbox.post(
            pack_setting(
                outbox.scratch, 1, correlation_id, self._boot_id, key, channel, number, text
            )
        )

    def _run_self_test(self, correlation_id):
        if self._sampler.streaming:
            self._reply(correlation_id, ID_RUN_SELF_TEST, OUTCOME_REFUSED_WHILE_STREAMING)
        elif not self._self_test.begin(correlation_id):
            self._reply(correlation_id, ID_RUN_SELF_TEST, OUTCOME_NOT_AVAILABLE)

    def _read_flag_totals(self, correlation_id, channel):
        channels = self._sampler.channels
        if channel >= len(channels):
            self._reply(correlation_id, ID_READ_FLAG_TOTALS, OUTCOME_BAD_ARGUMENT, channel)
            return
        outbox = self._outbox
        outbox.post(
            pack_flag_totals(
                outbox.scratch,
                1,
                correlation_id,
                self._boot_id,
                channel,
                channels[channel].watch.flag_totals,
            )
        )
