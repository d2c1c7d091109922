"""A recording played back as if its box were there: ``replay:FILE[?speed=max|1|10]``.

Only the box's own unasked-for frames are played.  Left out are the host's
frames, which no box ever sent, and the box's answers to the requests of the
recorded session, which would be taken for answers to this one's.  Instead the
port answers the requests of the handshake itself, from the recorded identity.
Damaged frames are played as they are.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final, NamedTuple
from urllib.parse import parse_qsl

from steelyard_protocol import records
from steelyard_protocol.codec import UnknownMessage, encode, message_id
from steelyard_protocol.decoder import CorruptFrame, Message, StreamDecoder
from steelyard_protocol.messages import SLOT_BYTES, TICKS_PERIOD_US
from steelyard_protocol.records import Outcome, Record

from steelyard.errors import (
    DeviceDisconnectedError,
    DeviceNotFoundError,
    DeviceStreamEndedError,
    PortNameError,
)
from steelyard.time_sync.ticks import TickUnwrapper
from steelyard.transport.playback_clock import PlaybackClock
from steelyard.transport.port import ClosesItself

_FIRST_HOST_MESSAGE_ID: Final = 0x80
_CHUNK_BYTES: Final = 65_536
_READ_LIMIT_BYTES: Final = 4_096
"""Most that one read returns: what an operating system keeps for a serial port."""
_PERIOD_NS: Final = TICKS_PERIOD_US * 1000
_SPEED_LIMIT: Final = 1000.0

_Requests = (
    records.Identify,
    records.StartStream,
    records.StopStream,
    records.ReadClock,
    records.ReadSetting,
    records.WriteSetting,
    records.RunSelfTest,
)
_TimedRecord = records.LoadSample | records.AngleSample | records.Status | records.Event


class PlayedFrame(NamedTuple):
    """One frame to hand out, and what is to be known of it."""

    data: bytes
    record: Record | UnknownMessage | None
    """None: damaged."""


def open_replay(text: str) -> ReplayTransport:
    """Open what stands behind ``replay:``.

    Raises:
        PortNameError: no file named, or an option that means nothing.
        DeviceNotFoundError: no such file, or no box describes itself in it.
    """
    name, _, options = text.partition("?")
    speed = 1.0
    for key, value in parse_qsl(options, keep_blank_values=True):
        if key != "speed":
            raise PortNameError(f"replay: knows no option {key!r}.", "It knows: speed.")
        speed = _speed(value)
    if not name:
        raise PortNameError("replay: needs a file.", "Write replay:FILE, the file of a recording.")
    return ReplayTransport(Path(name), speed)


def _speed(text: str) -> float:
    """The factor on time; 0 means as fast as it is read."""
    if text == "max":
        return 0.0
    try:
        speed = float(text)
    except ValueError:
        speed = -1.0
    if not 0 < speed <= _SPEED_LIMIT:
        raise PortNameError(
            f"replay: speed={text} means nothing.",
            f"Give a factor above 0 and up to {_SPEED_LIMIT:g}, or max.",
        )
    return speed


def played_frames(file: BinaryIO) -> Iterator[PlayedFrame]:
    """The frames of a recording in order, each by itself, in constant memory.

    Identities and channel descriptions are among them even where they were
    answers; a torn last frame is not.
    """
    decoder = StreamDecoder()
    start, held = 0, b""
    while chunk := file.read(_CHUNK_BYTES):
        held += chunk
        for event in decoder.feed(chunk):
            if not isinstance(event, (Message, CorruptFrame)):
                continue
            end = held.index(b"\x00", event.offset - start)
            data = held[event.offset - start : end + 1]
            yield PlayedFrame(data, event.record if isinstance(event, Message) else None)
        cut = held.rfind(b"\x00") + 1
        start, held = start + cut, held[cut:]


class ReplayTransport(ClosesItself):
    """Plays a recording, from `start_stream` on.

    Its clock goes with the recording: at ten times the speed it runs ten times
    as fast, and at full speed it is wherever the playing is.  The recorded box's
    clock starts with the port; frames that came due before `start_stream` are
    not lost but come late, as from a box that held them back.
    """

    def __init__(self, path: Path, speed: float = 1.0) -> None:
        self.description = f"replay:{path}"
        self._path = path
        self._identity: records.Identity | None = None
        self._header: records.RecordingHeader | None = None
        self._channels: dict[int, records.ChannelDescription] = {}
        try:
            self._find_identity()
            self._file: BinaryIO | None = path.open("rb")
        except OSError as error:
            raise DeviceNotFoundError(
                f"{path} cannot be read ({error.strerror}).", "Check the name of the recording."
            ) from error
        header = self._header
        self.clock = PlaybackClock(speed, header.host_unix_ns if header else None)
        self._frames = played_frames(self._file)
        self._requests = StreamDecoder()
        self._ticks = TickUnwrapper()
        self._boot_id = self._identity.boot_id if self._identity else 0
        self._boot_origin_ns: int | None = None
        self._waiting: tuple[int, bytes] | None = None
        self._answers = b""
        self._playing = False
        self._next_due(ending_is_fine=True)  # so that the box's clock is known from now on

    # --- the port ----------------------------------------------------------

    def read(self, timeout_seconds: float) -> bytes:
        """Return the frames whose time has come."""
        if self._file is None:
            raise DeviceDisconnectedError(f"{self.description} is closed.")
        if self._answers:
            answers, self._answers = self._answers, b""
            return answers
        deadline_ns = self.clock.monotonic_ns() + round(timeout_seconds * 1e9)
        if not self._playing:
            self.clock.wait_until(deadline_ns)
            return b""
        due_ns = self._next_due()
        self.clock.wait_until(min(due_ns, deadline_ns))
        return self._take_due() if due_ns <= deadline_ns else b""

    def write(self, data: bytes) -> None:
        """Take requests and prepare their answers."""
        if self._file is None:
            raise DeviceDisconnectedError(f"{self.description} is closed.")
        for event in self._requests.feed(data):
            if isinstance(event, Message) and isinstance(event.record, _Requests):
                self._answer(event.record)

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    # --- frames in time ----------------------------------------------------

    def _take_due(self) -> bytes:
        """All frames due by now, not more than a port would hold."""
        data = b""
        now_ns = self.clock.monotonic_ns()
        while self._next_due(len(data) > 0) <= now_ns and len(data) < _READ_LIMIT_BYTES:
            if self._waiting is None:
                break
            data += self._waiting[1]
            self._waiting = None
        return data

    def _next_due(self, ending_is_fine: bool = False) -> int:
        """When the next frame is due on the playback clock [ns]."""
        while self._waiting is None:
            frame = self._next_frame()
            if frame is None:
                if ending_is_fine:
                    break
                raise DeviceStreamEndedError(f"{self.description} is at its end.")
            self._follow(frame)
            if _is_played(frame):
                padding = bytes(-len(frame.data) % SLOT_BYTES)
                self._waiting = (self._due_ns(frame.record), frame.data + padding)
        return self._waiting[0] if self._waiting else self.clock.monotonic_ns()

    def _next_frame(self) -> PlayedFrame | None:
        try:
            return next(self._frames, None)
        except (OSError, ValueError) as error:
            raise DeviceDisconnectedError(
                f"{self._path} cannot be read any further ({error}).", "Is its disk still there?"
            ) from error

    def _follow(self, frame: PlayedFrame) -> None:
        if isinstance(frame.record, records.Identity):
            self._identity = frame.record
        elif isinstance(frame.record, records.ChannelDescription):
            self._channels[frame.record.channel] = frame.record

    def _due_ns(self, record: Record | UnknownMessage | None) -> int:
        """The moment of a frame; one without a time of its own comes with the one before."""
        now_ns = self.clock.monotonic_ns()
        if not isinstance(record, _TimedRecord):
            return now_ns
        time_ns = self._ticks.unwrap(record.boot_id, record.device_ticks_us) * 1000
        if self._boot_origin_ns is None or record.boot_id != self._boot_id:
            self._boot_id = record.boot_id
            self._boot_origin_ns = now_ns - time_ns
        return self._boot_origin_ns + time_ns

    # --- answers -----------------------------------------------------------

    def _find_identity(self) -> None:
        """Read ahead as far as the first complete description of the box."""
        with self._path.open("rb") as file:
            for frame in played_frames(file):
                if isinstance(frame.record, records.RecordingHeader):
                    self._header = self._header or frame.record
                self._follow(frame)
                identity = self._identity
                if identity is not None and len(self._channels) >= identity.channel_count:
                    return
        raise DeviceNotFoundError(
            f"{self._path} holds no complete description of a box.",
            "Only a recording made with a box can be played back.",
        )

    def _answer(self, request: Record) -> None:
        number: int = request[0]  # every request starts with its correlation id
        if isinstance(request, records.Identify):
            self._describe(number)
        elif isinstance(request, records.ReadClock):
            ticks = self._device_ticks_us()
            self._send(records.ClockReading(number, self._boot_id, ticks, ticks))
        else:
            known = isinstance(request, (records.StartStream, records.StopStream))
            if known:
                self._playing = isinstance(request, records.StartStream)
            outcome = Outcome.DONE if known else Outcome.NOT_AVAILABLE
            self._send(records.Reply(number, self._boot_id, message_id(request), outcome, 0))

    def _describe(self, correlation_id: int) -> None:
        if self._identity is None:
            return
        boot_id = self._identity.boot_id
        self._send(self._identity._replace(correlation_id=correlation_id))
        for channel in sorted(self._channels)[: self._identity.channel_count]:
            description = self._channels[channel]
            self._send(description._replace(correlation_id=correlation_id, boot_id=boot_id))

    def _device_ticks_us(self) -> int:
        origin = self._boot_origin_ns or 0
        return (self.clock.monotonic_ns() - origin) % _PERIOD_NS // 1000

    def _send(self, record: Record) -> None:
        self._answers += encode(record)


def _is_played(frame: PlayedFrame) -> bool:
    record = frame.record
    if record is None:
        return True
    if message_id(record) >= _FIRST_HOST_MESSAGE_ID:
        return False
    return getattr(record, "correlation_id", 0) == 0
