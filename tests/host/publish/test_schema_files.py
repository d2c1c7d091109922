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


def test_every_payload_is_a_schema_of_the_dialect_that_asyncapi_takes() -> None:
    """AsyncAPI 3.0.0, Schema Object: a superset of JSON Schema draft 07."""
    for schema in interface_document()["components"]["schemas"].values():
        jsonschema.Draft7Validator.check_schema(schema)


def one_of(required: str, optional: str, **properties: Any) -> dict[str, Any]:
    """An object with these keys, and no others."""
    names = [*required.split(), *optional.split()]
    return {
        "type": "object",
        "required": required.split(),
        "properties": {name: properties.get(name, {}) for name in names},
        "additionalProperties": False,
    }


def all_of(item: dict[str, Any]) -> dict[str, Any]:
    return {"type": "object", "minProperties": 1, "additionalProperties": item}


REFERENCE = one_of("$ref", "", **{"$ref": {"type": "string", "pattern": "^#/"}})
TEXT = {"type": "string", "minLength": 1}
ASYNCAPI_3_0 = one_of(
    "asyncapi info",
    "id servers defaultContentType channels operations components",
    asyncapi={"const": "3.0.0"},
    info=one_of(
        "title version",
        "description termsOfService contact license tags externalDocs",
        title=TEXT,
        version=TEXT,
    ),
    servers=all_of(
        one_of(
            "host protocol",
            "protocolVersion pathname description title summary variables security tags"
            " externalDocs bindings",
            host=TEXT,
            protocol=TEXT,
            protocolVersion=TEXT,
        )
    ),
    channels=all_of(
        one_of(
            "",
            "address messages title summary description servers parameters tags externalDocs"
            " bindings",
            address={"type": ["string", "null"]},
            messages=all_of(REFERENCE),
            servers={"type": "array", "items": REFERENCE},
            parameters=all_of(one_of("", "enum default description examples location")),
        )
    ),
    operations=all_of(
        one_of(
            "action channel",
            "title summary description security tags externalDocs bindings traits messages reply",
            action={"enum": ["send", "receive"]},
            channel=REFERENCE,
        )
    ),
    components=one_of(
        "",
        "schemas servers channels operations messages parameters",
        messages=all_of(
            one_of(
                "",
                "headers payload correlationId contentType name title summary description tags"
                " externalDocs bindings examples traits",
                name=TEXT,
                contentType=TEXT,
            )
        ),
    ),
)
"""AsyncAPI 3.0.0 (asyncapi.com/docs/reference/specification/v3.0.0): the objects in use here,
each with the fields that the specification lists for it, extensions left out."""


def test_the_document_has_the_form_that_asyncapi_asks_for() -> None:
    jsonschema.Draft202012Validator.check_schema(ASYNCAPI_3_0)
    jsonschema.validate(interface_document(), ASYNCAPI_3_0)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("asyncapi", "2.6.0"),
        ("info/title", ""),
        ("servers/mqtt/colour", "red"),
        ("channels/json/servers", "websocket"),
        ("operations/publish-json/action", "shout"),
        ("components/messages/wire/body", {}),
    ],
)
def test_what_asyncapi_does_not_know_is_refused(path: str, value: object) -> None:
    document = interface_document()
    *way, last = path.split("/")
    node = document
    for word in way:
        node = node[word]
    node[last] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, ASYNCAPI_3_0)


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
