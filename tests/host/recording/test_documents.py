"""Longer texts are cut into parts and put back together, or reported as broken."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steelyard.errors import RecordingFormatError
from steelyard.recording.documents import Document, DocumentAssembler, document_frames
from steelyard_protocol.records import DocumentKind, RecordingDocument


def _assembled(parts: list[RecordingDocument]) -> DocumentAssembler:
    assembler = DocumentAssembler()
    for part in parts:
        assembler.add(part)
    return assembler


@given(st.lists(st.text(max_size=900), max_size=5), st.randoms())
def test_any_texts_come_back_whatever_the_order_of_parts(texts: list[str], random) -> None:
    documents = tuple(Document(DocumentKind.NOTE, text) for text in texts)
    parts = list(document_frames(documents))
    random.shuffle(parts)
    assembler = _assembled(parts)
    assert assembler.documents() == documents
    assert assembler.problems() == ()


@pytest.mark.parametrize(
    ("size", "parts"), [(0, 1), (1, 1), (192, 1), (193, 2), (384, 2), (385, 3)]
)
def test_number_of_parts(size: int, parts: int) -> None:
    frames = list(document_frames([Document(DocumentKind.MACHINE, "x" * size)]))
    assert len(frames) == parts
    assert [frame.part for frame in frames] == list(range(parts))
    assert sum(frame.length for frame in frames) == size


def test_a_letter_cut_between_parts_is_no_problem() -> None:
    document = Document(DocumentKind.NOTE, "x" * 191 + "µ")
    assert _assembled(list(document_frames([document]))).documents() == (document,)


def test_a_missing_part_leaves_the_whole_text_out_and_is_named() -> None:
    whole = Document(DocumentKind.CALIBRATION, "c" * 500)
    other = Document(DocumentKind.NOTE, "still here")
    parts = list(document_frames([whole, other]))
    del parts[1]
    assembler = _assembled(parts)
    assert assembler.documents() == (other,)
    assert assembler.problems() == ("document 0: 2 of 3 parts fit together",)


def test_parts_that_disagree_are_not_joined() -> None:
    parts = list(document_frames([Document(DocumentKind.NOTE, "n" * 300)]))
    parts[1] = parts[1]._replace(kind=DocumentKind.CLIENT)
    assert _assembled(parts).documents() == ()


def test_bytes_that_are_no_text_are_named() -> None:
    part = next(document_frames([Document(DocumentKind.NOTE, "abc")]))
    broken = part._replace(text=b"ab\xff".ljust(192, b"\x00"))
    assert _assembled([broken]).problems() == ("document 0: byte 2 is not UTF-8",)


def test_the_first_of_two_equal_parts_counts() -> None:
    first = next(document_frames([Document(DocumentKind.NOTE, "first")]))
    second = next(document_frames([Document(DocumentKind.NOTE, "later")]))
    assert _assembled([first, second]).documents()[0].text == "first"


def test_too_many_texts_are_refused() -> None:
    with pytest.raises(RecordingFormatError, match="256 texts"):
        list(document_frames([Document(DocumentKind.NOTE, "")] * 257))


def test_a_text_too_long_is_refused_before_anything_is_made() -> None:
    with pytest.raises(RecordingFormatError, match="12582721 bytes"):
        next(document_frames([Document(DocumentKind.NOTE, "x" * (192 * 65535 + 1))]))
