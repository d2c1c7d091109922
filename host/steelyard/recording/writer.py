"""Writes a recording: the device's bytes untouched, the host's frames between them."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

from steelyard_protocol import codec, records
from steelyard_protocol.codec import MessageValueError
from steelyard_protocol.messages import SLOT_BYTES
from steelyard_protocol.records import AnnotationSource, LinkState, Record

from steelyard.errors import RecordingFormatError, RecordingStorageError
from steelyard.transport.port import ClosesItself, HostClock

from .append_file import DEFAULT_SYNC_PERIOD_SECONDS, AppendFile
from .documents import Document, document_frames
from .file_format import SUFFIX, Subject, new_header
from .frame_cutter import FrameCutter

ANNOTATION_BYTES: Final = 160


class RecordingWriter(ClosesItself):
    """One recording being made.  Use as a context manager, or call `close`.

    The file grows and is never rewritten.  Device bytes go in as they came,
    up to the last delimiter; the rest waits.  Host frames therefore always
    stand between two device frames.  At every point where either may begin,
    the file is first padded with 0x00 (legal empty frames) to the next
    32-byte offset: that keeps frames on the slot grid, which the bulk decoder
    reads fastest, and brings them back to it after garbage.
    """

    def __init__(
        self,
        path: Path,
        clock: HostClock,
        subject: Subject | None = None,
        documents: Sequence[Document] = (),
        sync_period_seconds: float = DEFAULT_SYNC_PERIOD_SECONDS,
        outlives_disk: bool = False,
    ) -> None:
        """Create the file, write its header and documents and bring them to the disk.

        With ``outlives_disk`` a disk that refuses later on raises nothing: it stands
        in ``storage_error``, what could not be written is counted in
        ``unwritten_bytes_total``, and the file keeps what it had.

        Raises:
            RecordingStorageError: the file exists or cannot be made or written.
            RecordingFormatError: machine, client code or a document do not fit.
        """
        self._clock = clock
        self._cutter = FrameCutter()
        self.openings_total = 0
        self.host_frames_total = 0
        self.unwritten_bytes_total = 0
        self.storage_error: RecordingStorageError | None = None
        self._outlives_disk = outlives_disk
        self._skipped_noted_total = 0
        opening: list[Record] = [new_header(subject or Subject(), clock)]
        opening += document_frames(documents)
        encoded = b"".join(codec.encode(record) for record in opening)
        self._file = AppendFile(path, sync_period_seconds)
        try:
            self._file.append(encoded)
            self._file.sync()
        except BaseException:
            self._file.abandon()
            raise

    @property
    def path(self) -> Path:
        """The file being written."""
        return self._file.path

    @property
    def size_bytes(self) -> int:
        """Bytes in the file so far."""
        return self._file.size_bytes

    @property
    def skipped_bytes_total(self) -> int:
        """Bytes before the first delimiter of a link that were no whole frame."""
        return self._cutter.skipped_bytes_total

    @property
    def dropped_bytes_total(self) -> int:
        """Bytes of frames that a lost link cut off."""
        return self._cutter.dropped_bytes_total

    def describe_box(
        self, identity: records.Identity, channels: Iterable[records.ChannelDescription]
    ) -> None:
        """Write who the box is, as it said in the handshake.

        Raises:
            RecordingStorageError: the disk refused.
        """
        self._append_host_frames([identity, *channels])

    def append_device_bytes(self, data: bytes) -> int:
        """Take bytes from the box; return how many were written (the rest waits).

        Raises:
            RecordingStorageError: the disk refused; earlier bytes stay readable.
        """
        whole = self._cutter.feed(data)
        if not whole:
            with self._outliving(0):
                self._file.sync_if_due()
            return 0
        # Zeros first: they finish the padding of the frame before. What follows
        # them is the start of a frame and belongs on the grid.
        frames = whole.lstrip(b"\x00")
        leading = len(whole) - len(frames)
        aligned = -(self._file.size_bytes + leading) % SLOT_BYTES if frames else 0
        self._append(whole[:leading] + bytes(aligned) + frames)
        return len(whole)

    def sync(self) -> None:
        """Bring everything to the disk now: before a wait that may last.

        Raises:
            RecordingStorageError: the disk refused.
        """
        with self._outliving(0):
            if not self._file.has_failed:
                self._file.sync()

    def mark_time(self, mark: records.TimeMark) -> None:
        """Write one alignment of the device clock with the host's.

        Raises:
            RecordingStorageError: the disk refused.
        """
        self._append_host_frames([mark])

    def annotate(self, text: str, source: AnnotationSource = AnnotationSource.OPERATOR) -> None:
        """Write a remark made now.

        Raises:
            RecordingFormatError: longer than 160 bytes as UTF-8.
            RecordingStorageError: the disk refused.
        """
        self.add_annotation(annotation(text, source, self._clock))

    def add_annotation(self, remark: records.Annotation) -> None:
        """Write a remark made earlier.

        Raises:
            RecordingStorageError: the disk refused.
        """
        self._append_host_frames([remark])

    def link_opened(self, at: HostClock | None = None) -> None:
        """Write that the link to the box is open, for the first time or again.

        ``at``: when that was; now, if left out.

        Raises:
            RecordingStorageError: the disk refused.
        """
        self.openings_total += 1
        self._append_link_change(LinkState.OPENED, at)

    def link_lost(self, at: HostClock | None = None) -> None:
        """Write that the link went away; the frame it cut off is dropped and counted.

        Raises:
            RecordingStorageError: the disk refused.
        """
        self._lose_tail()
        self._append_link_change(LinkState.LOST, at)
        self.sync()

    def leave_out_frame_under_way(self) -> None:
        """The recording ends while the box goes on: what has begun is no part of it."""
        self._cutter.forget_tail()

    def close(self) -> None:
        """End the recording: note it, sync and close the file.  Twice is fine.

        Raises:
            RecordingStorageError: the disk refused; the file is closed all the same.
        """
        if self._file.is_open and not self._file.has_failed:
            try:
                self._lose_tail()
                self._append_link_change(LinkState.CLOSED)
            finally:
                self._close_file()
        self._close_file()

    def _lose_tail(self) -> None:
        dropped = self._cutter.lose_link()
        skipped = self._cutter.skipped_bytes_total - self._skipped_noted_total
        self._skipped_noted_total += skipped
        for count, where in ((skipped, "start"), (dropped, "end")):
            if count:
                self.annotate(
                    f"{count} bytes of a broken frame left out at the {where} of this link",
                    AnnotationSource.SOFTWARE,
                )

    def _append_link_change(self, state: LinkState, at: HostClock | None = None) -> None:
        clock = at or self._clock
        change = records.LinkChange(
            host_monotonic_ns=clock.monotonic_ns(),
            host_unix_ns=clock.unix_ns(),
            state=state,
            openings_total=self.openings_total,
        )
        self._append_host_frames([change])

    def _append_host_frames(self, frames: Sequence[Record]) -> None:
        try:
            encoded = b"".join(codec.encode(frame) for frame in frames)
        except MessageValueError as error:
            raise RecordingFormatError(
                f"A frame for {self.path} cannot be written: {error}.",
                "This is a fault of the program that made it; the recording itself is sound.",
            ) from error
        self._append(bytes(-self._file.size_bytes % SLOT_BYTES) + encoded)
        self.host_frames_total += len(frames)

    def _append(self, data: bytes) -> None:
        with self._outliving(len(data)):
            self._file.append(data)

    def _close_file(self) -> None:
        with self._outliving(0):
            self._file.close()

    @contextlib.contextmanager
    def _outliving(self, byte_count: int) -> Iterator[None]:
        """Keep a refusal of the disk to itself, if so asked."""
        try:
            yield
        except RecordingStorageError as error:
            if not self._outlives_disk:
                raise
            self.storage_error = self.storage_error or error
            self.unwritten_bytes_total += byte_count


def annotation(text: str, source: AnnotationSource, clock: HostClock) -> records.Annotation:
    """Stamp a remark with the present moment.

    Raises:
        RecordingFormatError: longer than 160 bytes as UTF-8.
    """
    data = text.encode("utf-8")
    if len(data) > ANNOTATION_BYTES:
        raise RecordingFormatError(
            f"The remark has {len(data)} bytes; a recording takes {ANNOTATION_BYTES}.",
            "Shorten it, or make two of it.",
        )
    return records.Annotation(
        host_monotonic_ns=clock.monotonic_ns(),
        host_unix_ns=clock.unix_ns(),
        source=source,
        length=len(data),
        text=data.ljust(ANNOTATION_BYTES, b"\x00"),
    )


def with_suffix(path: Path) -> Path:
    """Give a file name without a suffix the one of recordings."""
    return path if path.suffix else path.with_suffix(SUFFIX)
