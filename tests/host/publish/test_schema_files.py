"""The files in ``schema/`` are those that the code makes, and hold together."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from steelyard.publish.bulletin import Kind
from steelyard.publish.interface_document import FOLDER, interface_document, schema_files
from steelyard.publish.message_schema import live_schema


@pytest.mark.parametrize("name", list(schema_files()))
def test_files_are_fresh(name: str) -> None:
    stored = (FOLDER / name).read_text(encoding="ascii")
    assert stored == schema_files()[name], "run write_schema_files() of interface_document.py"


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(live_schema())
    assert set(live_schema()["$defs"]) == {kind.value for kind in Kind if kind is not Kind.WIRE}


def test_every_reference_leads_somewhere() -> None:
    document = interface_document()

    def references(node: Any) -> list[str]:
        if isinstance(node, dict):
            own = [node["$ref"]] if "$ref" in node else []
            return own + [item for value in node.values() for item in references(value)]
        return (
            [item for value in node for item in references(value)] if isinstance(node, list) else []
        )

    found = references(document)
    assert len(found) > 20
    for reference in found:
        node = document
        for word in reference.removeprefix("#/").split("/"):
            node = node[word]
    for channel in document["channels"].values():
        for reference in channel["messages"].values():
            assert reference["$ref"].startswith("#/components/messages/")


def test_addresses_declare_their_parameters() -> None:
    for channel in interface_document()["channels"].values():
        named = {
            part.strip("{}") for part in (channel["address"] or "").split("/") if part[:1] == "{"
        }
        assert named == set(channel.get("parameters", {}))


@pytest.mark.parametrize(
    "wrong",
    [
        {"type": "samples", "boot_id": 1, "samples": []},
        {"type": "link", "reason": ""},
        {
            "type": "loss",
            "where": "moon",
            "samples_missed": 1,
            "messages_missed": 1,
            "samples_missed_total": 1,
        },
        {"type": "gap"},
        {"type": "other"},
    ],
)
def test_the_schema_refuses(wrong: dict[str, Any]) -> None:
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(json.loads(json.dumps(wrong)), live_schema())
