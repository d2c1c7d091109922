"""A session with one box on one open port."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, TypeVar

from steelyard_protocol import records
from steelyard_protocol.codec import padded_text
from steelyard_protocol.messages import NO_CHANNEL
from steelyard_protocol.records import Outcome, Record, SampleFlags, SettingKey

from steelyard.device.correlation import CorrelationIds
from steelyard.device.description import BoxDescription, describe
from steelyard.device.refusals import refusal
from steelyard.device.stream import BoxStream, Poll, StreamCounters
from steelyard.errors import DeviceNotFoundError, DeviceTimeoutError, WrongDeviceError
from steelyard.time_sync import ClockExchange
from steelyard.transport import Transport, open_transport
from steelyard.transport.port import ClosesItself

HANDSHAKE_TIMEOUT_SECONDS: Final = 5.0
"""Longer than a box takes from power-on to answering (about 2.5 s)."""
IDENTIFY_PERIOD_SECONDS: Final = 0.5
REQUEST_TIMEOUT_SECONDS: Final = 0.5
REQUEST_ATTEMPTS: Final = 4
SELF_TEST_TIMEOUT_SECONDS: Final = 4.0
_NS: Final = 1_000_000_000


_Answer = TypeVar("_Answer")


class Box(ClosesItself):
    """One box that has said who it is.  Make one with `Box.open`.

    Nothing that arrives is lost between the methods: while a request waits for
    its answer, everything else is kept for the next `poll`.
    """

    def __init__(self, transport: Transport) -> None:
        """Take over an open port; `Box.open` also does the handshake."""
        self.transport = transport
        self._stream = BoxStream(transport)
        self._ids = CorrelationIds()
        self._description: BoxDescription | None = None

    @classmethod
    def open(
        cls,
        port: str | Transport,
        timeout_seconds: float = HANDSHAKE_TIMEOUT_SECONDS,
        *,
        box_id: bytes | None = None,
    ) -> Box:
        """Open ``port`` (or take over an open one) and shake hands.

        ``box_id``: accept only this box.  When this fails the port is closed.

        Raises:
            DeviceError: the port cannot be opened, or goes away.
            DeviceNotFoundError: no box answers on it in time.
            WrongDeviceError: another box answers.
            ProtocolError: a box answers that this program must not talk with.
        """
        transport = open_transport(port) if isinstance(port, str) else port
        box = cls(transport)
        try:
            box.identify(timeout_seconds, box_id=box_id)
        except BaseException:
            transport.close()
            raise
        return box

    @property
    def description(self) -> BoxDescription:
        """Who the box is, as of the latest handshake."""
        if self._description is None:
            raise DeviceNotFoundError(
                f"No box has said yet who it is on {self.transport.description}.",
                "Call identify() first.",
            )
        return self._description

    @property
    def channels(self) -> Sequence[records.ChannelDescription]:
        """The box's channels, by index."""
        return self.description.channels

    def close(self) -> None:
        """Close the port.  The box goes on as it was; `stop_stream` first to quiet it."""
        self.transport.close()

    @property
    def counters(self) -> StreamCounters:
        """What the session has seen so far."""
        return self._stream.counters

    @property
    def boot_id(self) -> int | None:
        """The boot that the latest message came from."""
        return self._stream.boot_id

    def poll(self, timeout_seconds: float) -> Poll:
        """Return what has come, waiting for something at most so long.

        Raises:
            DeviceDisconnectedError: the link is gone, and all that came before
                was returned already.
        """
        return self._stream.poll(timeout_seconds)

    def drain(self) -> Poll:
        """Return what is kept, without reading; for use after an error, too."""
        return self._stream.drain()

    # --- requests ----------------------------------------------------------

    def identify(
        self, timeout_seconds: float = HANDSHAKE_TIMEOUT_SECONDS, *, box_id: bytes | None = None
    ) -> BoxDescription:
        """Ask the box who it is; again after a `Reboot`.

        Whatever else is on the line (the rest of an old stream, a start-up
        text, half a frame) is passed over.  Raises as `open` does.
        """
        expected = box_id or (self._description.box_id if self._description else None)
        # A delimiter first: it ends whatever half frame the box may have received.
        self.transport.write(b"\x00")
        try:
            described = self._request(
                records.Identify,
                _described,
                IDENTIFY_PERIOD_SECONDS,
                max(1, round(timeout_seconds / IDENTIFY_PERIOD_SECONDS)),
            )
        except DeviceTimeoutError as error:
            raise self._nobody_there(timeout_seconds) from error
        if expected is not None and described.box_id != expected:
            raise WrongDeviceError(
                f"On {self.transport.description} answers box {described.box_id_text}, not"
                f" {expected.hex()}.",
                "Plug in the right box, or name this one.",
            )
        self._description = described
        return described

    def start_stream(self) -> None:
        """Have samples sent.  Harmless when they already are."""
        self.ask(records.StartStream, records.Reply)

    def stop_stream(self) -> None:
        """Have no more samples sent.  Harmless when none are."""
        self.ask(records.StopStream, records.Reply)

    def read_clock(self) -> ClockExchange:
        """Compare clocks, once.

        Why each attempt has an id of its own, unlike every other request: an
        answer must be matched with the moment its own request left.

        Raises:
            DeviceTimeoutError: no answer to any attempt.
        """
        for attempt in range(REQUEST_ATTEMPTS):
            self.counters.retries_total += attempt > 0
            exchange = self._compare_clocks()
            if exchange is not None:
                return exchange
        raise self._no_answer("read_clock", REQUEST_ATTEMPTS * REQUEST_TIMEOUT_SECONDS)

    def read_setting(self, key: SettingKey, channel: int = NO_CHANNEL) -> records.Setting:
        """Read a setting; channel 255 (`NO_CHANNEL`) is the box itself.

        Raises:
            DeviceRejectedError: there is no such setting or channel.
        """
        return self.ask(lambda number: records.ReadSetting(number, key, channel), records.Setting)

    def write_setting(
        self, key: SettingKey, channel: int = NO_CHANNEL, *, number: int = 0, text: str = ""
    ) -> records.Setting:
        """Change a setting and return what is in force now.

        Raises:
            DeviceRejectedError: streaming, unknown, out of range, or the box
                could not store it.
        """
        value = padded_text(text, 16)
        return self.ask(
            lambda correlation: records.WriteSetting(correlation, key, channel, number, value),
            records.Setting,
        )

    def run_self_test(self) -> tuple[records.SelfTestResult, ...]:
        """Exercise every sensor for about a second; one result for each channel.

        Raises:
            DeviceRejectedError: the box is streaming.
        """
        count = len(self.channels)

        def complete(answers: list[Record]) -> tuple[records.SelfTestResult, ...] | None:
            found = {item.channel: item for item in _of(records.SelfTestResult, answers)}
            return tuple(found[number] for number in sorted(found)) if len(found) == count else None

        return self._request(records.RunSelfTest, complete, SELF_TEST_TIMEOUT_SECONDS, 2)

    def read_flag_totals(self, channel: int) -> dict[SampleFlags, int]:
        """How many of a channel's samples carried each flag since the box started.

        Raises:
            DeviceRejectedError: no such channel, or firmware before protocol 1.1.
        """
        answer = self.ask(
            lambda number: records.ReadFlagTotals(number, channel), records.FlagTotals
        )
        return {flag: answer.samples_total[flag.bit_length() - 1] for flag in SampleFlags}

    def ask(
        self,
        build: Callable[[int], Record],
        kind: type[_Answer],
        timeout_seconds: float = REQUEST_TIMEOUT_SECONDS,
    ) -> _Answer:
        """Send the request that ``build`` makes with a correlation id; its answer of that kind.

        Raises:
            DeviceRejectedError: the box refuses it.
            DeviceTimeoutError: no answer to any attempt.
        """
        return self._request(
            build, lambda answers: next(iter(_of(kind, answers)[-1:]), None), timeout_seconds
        )

    def _request(
        self,
        build: Callable[[int], Record],
        finish: Callable[[list[Record]], _Answer | None],
        timeout_seconds: float = REQUEST_TIMEOUT_SECONDS,
        attempts: int = REQUEST_ATTEMPTS,
    ) -> _Answer:
        """Send a request until its answer is complete, each time with the same id.

        Why the same id: the box may have done it and only the answer been lost;
        requests can be repeated without harm, and an answer to any of the
        attempts is good.  ``finish`` gets all answers so far and returns the
        result, or None while something is missing.
        """
        correlation_id, frame = self._ids.frame(build)
        request = build(correlation_id)
        answers: list[Record] = []
        for attempt in range(attempts):
            self.counters.retries_total += attempt > 0
            self.transport.write(frame)
            deadline = self._now_ns() + round(timeout_seconds * _NS)
            while (left := deadline - self._now_ns()) > 0:
                for record in self._stream.receive(left / _NS):
                    if getattr(record, "correlation_id", 0) == correlation_id:
                        self._refused(request, record)
                        answers.append(record)
                result = finish(answers)
                if result is not None:
                    return result
        raise self._no_answer(type(request).__name__, attempts * timeout_seconds)

    def _compare_clocks(self) -> ClockExchange | None:
        correlation_id, frame = self._ids.frame(records.ReadClock)
        clock = self.transport.clock
        sent_ns = clock.monotonic_ns()
        self.transport.write(frame)
        deadline = sent_ns + round(REQUEST_TIMEOUT_SECONDS * _NS)
        while (left := deadline - self._now_ns()) > 0:
            received = self._stream.receive(left / _NS)
            received_ns, unix_ns = clock.monotonic_ns(), clock.unix_ns()
            for record in received:
                if getattr(record, "correlation_id", 0) != correlation_id:
                    continue
                self._refused(records.ReadClock(correlation_id), record)
                if isinstance(record, records.ClockReading):
                    return ClockExchange(
                        boot_id=record.boot_id,
                        received_ticks_us=record.received_ticks_us,
                        sent_ticks_us=record.sent_ticks_us,
                        host_sent_ns=sent_ns,
                        host_received_ns=received_ns,
                        host_unix_ns=unix_ns,
                    )
        return None

    def _now_ns(self) -> int:
        return self.transport.clock.monotonic_ns()

    def _refused(self, request: Record, answer: Record) -> None:
        if isinstance(answer, records.Reply) and answer.outcome != Outcome.DONE:
            raise refusal(self.transport.description, request, answer)

    def _no_answer(self, request: str, seconds: float) -> DeviceTimeoutError:
        return DeviceTimeoutError(
            f"The box on {self.transport.description} did not answer {request} within"
            f" {seconds:g} s.",
            "Check the cable; unplug the box, wait two seconds and plug it in again.",
        )

    def _nobody_there(self, seconds: float) -> DeviceNotFoundError:
        counters = self.counters
        if counters.messages_total:
            seen = (
                f" {counters.messages_total} sound frames came from it, so it is a box, but it"
                " does not take requests."
            )
        elif counters.bytes_total:
            text = self._stream.kept_start.decode("ascii", "replace")
            seen = f" {counters.bytes_total} bytes came, none of them a frame: {text!r}."
        else:
            seen = " Not a single byte came."
        return DeviceNotFoundError(
            f"No box answered on {self.transport.description} within {seconds:g} s.{seen}",
            "Is it the right port, is the firmware loaded, and is the box out of service mode?",
        )


def _of(kind: type[_Answer], answers: list[Record]) -> list[_Answer]:
    return [answer for answer in answers if isinstance(answer, kind)]


def _described(answers: list[Record]) -> BoxDescription | None:
    identities = _of(records.Identity, answers)
    return (
        describe(identities[-1], _of(records.ChannelDescription, answers)) if identities else None
    )
