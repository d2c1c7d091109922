"""Texts in the box's flash: in pieces, and through a power cut at every byte."""

from __future__ import annotations

from contextlib import suppress
from zlib import crc32

import pytest
from box.document_store import LENGTH_LIMIT, PIECE_BYTES, BadDocumentError, DocumentStore
from firmware.rig import Files, Rig
from hypothesis import given
from hypothesis import strategies as st
from steelyard_protocol import records
from steelyard_protocol.records import DocumentKind, Outcome

BOX = 255
OLD = bytes(range(32, 127)) * 5  # 475 bytes: two whole pieces and some
NEW = bytes(range(126, 31, -1)) * 4


def put(store: DocumentStore, text: bytes, channel: int = 0, kind: int = 1) -> None:
    for at in range(0, len(text), PIECE_BYTES):
        piece = text[at : at + PIECE_BYTES].ljust(PIECE_BYTES, b"\x00")
        store.write(channel, kind, len(text), crc32(text), at // PIECE_BYTES, piece)


def kept(files: Files, channel: int = 0) -> bytes:
    """What a box that starts on these files keeps."""
    store = DocumentStore(files, 4)
    length = store.describe(channel)[1]
    text = b"".join(store.read(channel, part) for part in range(-(-length // PIECE_BYTES)))
    assert not length or crc32(text) == store.describe(channel)[2]
    return text


class Stutter(Files):
    """Counts every byte written; from byte `cut` on nothing is written any more."""

    def __init__(self, files: dict[str, bytes], cut: int) -> None:
        super().__init__()
        self.files = dict(files)
        self.left = cut

    def write(self, name: str, data: bytes) -> None:
        whole = bytes(data)
        before = self.files.get(name, b"")
        if whole[: len(before)] == before and len(before) < len(whole):
            fresh, start = whole[len(before) :], before  # an append
        else:
            fresh, start = whole, b""
        taken = fresh[: self.left]
        self.left -= len(taken)
        self.files[name] = start + taken
        if len(taken) < len(fresh):
            raise OSError(5, "power lost")


@pytest.mark.parametrize("length", [1, 191, 192, 193, 384, 385, 5000])
def test_what_goes_in_comes_out_after_a_restart(length: int) -> None:
    files = Files()
    text = (OLD * 20)[:length]
    put(DocumentStore(files, 4), text)
    assert kept(files) == text
    assert DocumentStore(files, 4).describe(0) == (1, length, crc32(text))
    assert kept(files, 1) == b""


def test_each_channel_and_the_box_keep_their_own() -> None:
    files = Files()
    store = DocumentStore(files, 4)
    for number, channel in enumerate((0, 1, 2, 3, BOX)):
        put(store, b"text of %d" % number, channel, number + 1)
    for number, channel in enumerate((0, 1, 2, 3, BOX)):
        assert kept(files, channel) == b"text of %d" % number
        assert store.describe(channel)[0] == number + 1
    for channel in (4, 7, 254):
        with pytest.raises(BadDocumentError) as caught:
            store.describe(channel)
        assert caught.value.value == channel


def test_a_later_text_replaces_and_erasing_leaves_none() -> None:
    files = Files()
    store = DocumentStore(files, 4)
    for text in (OLD, NEW, OLD[:7], NEW):
        put(store, text)
        assert kept(files) == text
    store.erase(0)
    assert kept(files) == b""
    writes = files.writes_total
    store.erase(0)  # none there: nothing to write
    assert files.writes_total == writes
    put(store, OLD)
    assert kept(files) == OLD


@pytest.mark.parametrize("before", [[], [OLD], [OLD, NEW], [NEW, OLD, NEW]])
def test_power_cut_at_every_byte_leaves_the_old_or_the_new(before: list[bytes]) -> None:
    whole = Files()
    for text in before:
        put(DocumentStore(whole, 4), text)
    old, new = kept(whole), b"the new one, " * 33
    total = 21 + len(new)
    found = set()
    for cut in range(total + 1):
        files = Stutter(whole.files, cut)
        try:
            put(DocumentStore(files, 4), new)
        except OSError:
            assert cut < total
        files.left = 1 << 30
        after = kept(files)
        assert after in (old, new)  # never neither
        found.add(after)
        put(DocumentStore(files, 4), NEW)  # and it can be written again
        assert kept(files) == NEW
    assert found == {old, new}


def test_a_cut_while_erasing_leaves_the_old_or_none() -> None:
    whole = Files()
    put(DocumentStore(whole, 4), OLD)
    found = set()
    for cut in range(22):
        files = Stutter(whole.files, cut)
        with suppress(OSError):
            DocumentStore(files, 4).erase(0)
        found.add(kept(files))
    assert found == {OLD, b""}


def test_a_full_flash_keeps_the_old_text() -> None:
    files = Files()
    store = DocumentStore(files, 4)
    put(store, OLD)
    files.failing = True
    with pytest.raises(OSError, match="no space"):
        put(store, NEW)
    files.failing = False
    assert kept(files) == OLD
    put(store, NEW)
    assert kept(files) == NEW


def test_a_text_that_is_not_what_its_crc_says_never_comes_into_force() -> None:
    files = Files()
    store = DocumentStore(files, 4)
    put(store, OLD)
    with pytest.raises(OSError, match="does not read back"):
        store.write(0, 1, 5, 12345, 0, b"wrong".ljust(PIECE_BYTES, b"\x00"))
    assert kept(files) == OLD


def test_pieces_may_be_repeated_but_not_left_out_or_mixed() -> None:
    files = Files()
    store = DocumentStore(files, 4)
    pieces = [OLD[at : at + PIECE_BYTES].ljust(PIECE_BYTES, b"\x00") for at in (0, 192, 384)]
    crc = crc32(OLD)
    with pytest.raises(BadDocumentError):
        store.write(0, 1, len(OLD), crc, 1, pieces[1])  # begins in the middle
    for part in (0, 0, 1, 1):
        store.write(0, 1, len(OLD), crc, part, pieces[part])
    for channel, kind, length, part in ((1, 1, len(OLD), 2), (0, 2, len(OLD), 2), (0, 1, 500, 2)):
        with pytest.raises(BadDocumentError) as caught:
            store.write(channel, kind, length, crc, part, pieces[2])
        assert caught.value.value == part
    writes = files.writes_total
    for _ in range(3):  # the answer to the last one was lost, twice
        store.write(0, 1, len(OLD), crc, 2, pieces[2])
    assert files.writes_total == writes + 1
    assert kept(files) == OLD
    with pytest.raises(BadDocumentError):
        store.write(0, 1, len(OLD), crc, 3, pieces[0])
    with pytest.raises(BadDocumentError):
        store.read(0, 3)


@pytest.mark.parametrize("length", [0, LENGTH_LIMIT + 1, 0xFFFFFFFF])
def test_a_length_that_no_text_has(length: int) -> None:
    with pytest.raises(BadDocumentError) as caught:
        DocumentStore(Files(), 4).write(0, 1, length, 0, 0, bytes(PIECE_BYTES))
    assert caught.value.value == length


@given(st.binary(max_size=80), st.binary(max_size=80))
def test_any_stored_bytes_are_no_text(first: bytes, second: bytes) -> None:
    files = Files()
    files.files = {"document0.a": first, "document0.b": second}
    assert DocumentStore(files, 4).describe(0) == (0, 0, 0)


@given(st.integers(0, 20 + len(OLD)), st.integers(1, 255))
def test_one_wrong_byte_in_the_newer_file_brings_the_older_back(place: int, change: int) -> None:
    files = Files()
    store = DocumentStore(files, 4)
    put(store, NEW)
    put(store, OLD)
    spoilt = bytearray(files.files["document0.b"])
    spoilt[place] ^= change
    files.files["document0.b"] = bytes(spoilt)
    assert kept(files) == NEW


# --- over the port ----------------------------------------------------------------------------


def answer(rig: Rig, request: object) -> object:
    found = rig.ask(request)
    assert len(found) == 1
    return found[0]


def write(rig: Rig, text: bytes, channel: int = 0) -> list[int]:
    return [
        answer(
            rig,
            records.WriteDocument(
                *(100 + part, channel, DocumentKind.CALIBRATION, len(text), crc32(text), part),
                text[part * 192 : part * 192 + 192].ljust(192, b"\x00"),
            ),
        ).outcome  # type: ignore[attr-defined]
        for part in range(-(-len(text) // 192))
    ]


def test_over_the_port_and_through_a_restart(rig: Rig) -> None:
    nothing = answer(rig, records.DescribeDocument(7, 2))
    assert nothing == records.StoredDocument(7, 77, 2, 0, 0, 0, LENGTH_LIMIT)
    assert write(rig, OLD, 2) == [Outcome.DONE] * 3
    again = Rig(files=rig.files)
    again.run_ms(150)
    again.take()
    found = answer(again, records.DescribeDocument(8, 2))
    assert found == records.StoredDocument(8, 77, 2, 1, len(OLD), crc32(OLD), LENGTH_LIMIT)
    parts = [answer(again, records.ReadDocument(9, 2, part)) for part in range(3)]
    assert all(isinstance(part, records.DocumentPart) for part in parts)
    assert b"".join(part.text[: part.length] for part in parts) == OLD  # type: ignore[attr-defined]
    assert answer(again, records.EraseDocument(9, 2)).outcome == Outcome.DONE  # type: ignore[attr-defined]
    assert answer(again, records.DescribeDocument(8, 2)).length == 0  # type: ignore[attr-defined]


def test_nothing_of_it_while_streaming(rig: Rig) -> None:
    write(rig, OLD)
    rig.start()
    writes = rig.files.writes_total
    for request in (
        records.DescribeDocument(1, 0),
        records.ReadDocument(1, 0, 0),
        records.WriteDocument(1, 0, 1, 5, 5, 0, bytes(192)),
        records.EraseDocument(1, 0),
    ):
        assert answer(rig, request).outcome == Outcome.REFUSED_WHILE_STREAMING  # type: ignore[attr-defined]
    assert rig.files.writes_total == writes
    rig.ask(records.StopStream(2))
    assert answer(rig, records.DescribeDocument(1, 0)).length == len(OLD)  # type: ignore[attr-defined]


def test_refusals_name_what_was_refused(rig: Rig) -> None:
    cases = [
        (records.DescribeDocument(1, 9), Outcome.BAD_ARGUMENT, 9),
        (records.ReadDocument(1, 0, 3), Outcome.BAD_ARGUMENT, 3),
        (records.WriteDocument(1, 0, 1, 70_000, 5, 0, bytes(192)), Outcome.BAD_ARGUMENT, 70_000),
        (records.WriteDocument(1, 0, 1, 500, 5, 1, bytes(192)), Outcome.BAD_ARGUMENT, 1),
        (records.WriteDocument(1, 0, 1, 5, 5, 0, bytes(192)), Outcome.STORAGE_FAILED, 0),
        (records.ReadFlagTotals(1, 6), Outcome.BAD_ARGUMENT, 6),
        (records.EraseDocument(1, 0), Outcome.DONE, 0),
    ]
    for request, outcome, detail in cases:
        found = answer(rig, request)
        assert isinstance(found, records.Reply)
        assert (found.outcome, found.detail) == (outcome, detail), request
    rig.files.failing = True
    assert write(rig, b"short") == [Outcome.STORAGE_FAILED]
