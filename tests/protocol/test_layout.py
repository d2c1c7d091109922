"""The layout walker accepts the subset, refuses the rest by name, and nothing is stale."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import construct
import numpy as np
import pytest
from steelyard_protocol.columns import message_dtype
from steelyard_protocol.compatibility import incompatibilities
from steelyard_protocol.generators import run
from steelyard_protocol.layout import (
    UnsupportedLayoutError,
    enumerations,
    layout_hash,
    layouts,
    message_layout,
    snapshot,
)
from steelyard_protocol.messages import (
    MESSAGES,
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    VALUE_MEANINGS,
    MessageDefinition,
    Origin,
    field,
)
from vector_files import ROOT, load

COMPATIBILITY = Path(__file__).parent / "compatibility"


def definition(subcon: Any) -> MessageDefinition:
    body = construct.Struct(field("odd", subcon, "something odd"))
    return MessageDefinition(0x30, "strange", Origin.DEVICE, "For tests.", body)


@pytest.mark.parametrize(
    "subcon",
    [
        construct.Int16ub,
        construct.Float32l,
        construct.VarInt,
        construct.GreedyBytes,
        construct.Bytes(construct.this.length),
        construct.Array(construct.this.count, construct.Int8ul),
        construct.PascalString(construct.Int8ul, "ascii"),
        construct.Struct("inner" / construct.Int8ul),
        construct.Enum(construct.Int8ul, nameless=1),
    ],
    ids=lambda subcon: type(subcon).__name__,
)
def test_what_the_generators_could_not_follow_is_refused_by_name(subcon: Any) -> None:
    with pytest.raises(UnsupportedLayoutError, match=r"strange\.odd"):
        message_layout(definition(subcon))


def test_a_message_must_fit_one_cobs_block() -> None:
    with pytest.raises(UnsupportedLayoutError, match="251 bytes with its id; the limit is 250"):
        message_layout(definition(construct.Bytes(250)))


def test_a_field_needs_a_meaning() -> None:
    body = construct.Struct("bare" / construct.Int8ul)
    with pytest.raises(UnsupportedLayoutError, match=r"strange\.bare: every field needs a meaning"):
        message_layout(MessageDefinition(1, "strange", Origin.DEVICE, "", body))


@pytest.mark.parametrize("message", MESSAGES, ids=lambda message: message.name)
def test_sizes_agree_with_construct_and_numpy(message: MessageDefinition) -> None:
    layout = message_layout(message)
    assert layout.size == message.body.sizeof() + 1
    dtype = message_dtype(layout)
    assert dtype.itemsize == layout.size
    for item in layout.fields:
        assert dtype.fields is not None
        assert dtype.fields[item.name][1] == item.offset
    assert isinstance(dtype, np.dtype)


def test_ids_and_names_are_unique_and_never_zero() -> None:
    ids = [layout.message_id for layout in layouts()]
    assert len(set(ids)) == len(ids)
    assert 0 not in ids
    assert len({layout.class_name for layout in layouts()}) == len(ids)


def test_generated_files_are_up_to_date() -> None:
    assert run.check(ROOT) == []


def test_a_stale_file_is_found(tmp_path: Path) -> None:
    for folder in ("protocol/steelyard_protocol", "firmware/box", "protocol/snapshots"):
        (tmp_path / folder).mkdir(parents=True)
    run.write(tmp_path)
    assert run.check(tmp_path) == []
    page = tmp_path / "protocol/MESSAGES.md"
    page.write_text(page.read_text(encoding="utf-8") + "x", encoding="utf-8")
    vector = tmp_path / "protocol/vectors/message_event.json"
    vector.write_text(vector.read_text(encoding="utf-8").replace("03020100", "03020101"))
    (tmp_path / "protocol/vectors/message_reply.json").unlink()
    problems = run.check(tmp_path)
    assert any("MESSAGES.md is stale" in problem for problem in problems)
    assert any("message_reply.json is missing" in problem for problem in problems)


def test_the_snapshot_of_this_version_is_what_the_hash_says() -> None:
    path = ROOT / f"protocol/snapshots/{PROTOCOL_MAJOR}.{PROTOCOL_MINOR}.json"
    stored = json.loads(path.read_text(encoding="utf-8"))
    assert stored == json.loads(json.dumps(snapshot()))
    assert len(layout_hash()) == 8


@pytest.mark.parametrize("path", sorted(COMPATIBILITY.glob("good/*.json")), ids=lambda p: p.stem)
def test_compatible_changes_pass(path: Path) -> None:
    pair = json.loads(path.read_text(encoding="utf-8"))
    assert incompatibilities(pair["old"], pair["new"]) == []


@pytest.mark.parametrize("path", sorted(COMPATIBILITY.glob("bad/*.json")), ids=lambda p: p.stem)
def test_incompatible_changes_are_named(path: Path) -> None:
    pair = json.loads(path.read_text(encoding="utf-8"))
    problems = incompatibilities(pair["old"], pair["new"])
    assert any(pair["expected"] in problem for problem in problems), problems


def test_every_value_has_a_meaning() -> None:
    assert {item.name: [name for name, _ in item.values] for item in enumerations()} == {
        name: list(meanings) for name, meanings in VALUE_MEANINGS.items()
    }


def test_every_message_has_vectors_at_its_limits() -> None:
    for layout in layouts():
        names = {case["name"] for case in load(f"message_{layout.name}.json")["cases"]}
        assert {"counting", "lowest", "highest"} <= names
