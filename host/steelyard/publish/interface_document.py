"""The AsyncAPI 3.0 document of the whole: servers, channels, messages."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

from steelyard.publish.broker import LINE_PORT, SOCKET_PORT
from steelyard.publish.bulletin import Kind
from steelyard.publish.message_schema import live_schema, message_schemas
from steelyard.publish.metadata import SCHEMA, SCHEMA_VERSION
from steelyard.publish.mqtt import TOPIC_ROOT

FOLDER: Final = Path(__file__).parent / "schema"
SCHEMA_FILE: Final = f"{SCHEMA}.schema.json"
DOCUMENT_FILE: Final = f"{SCHEMA}.asyncapi.json"


def interface_document() -> dict[str, Any]:
    """Servers, channels, operations and messages, as plain data."""
    everything = [kind.value for kind in message_schemas()]
    explained = [kind.value for kind in (Kind.METADATA, Kind.LINK, Kind.LOSS, Kind.STATUS)]
    channels = {
        "lines": _channel(
            "Metadata first, then everything as it comes; one JSON object a line, UTF-8, ended"
            " by a line feed. Connect and read; nothing has to be said.",
            None,
            ["lines"],
            everything,
        ),
        "json": _channel(
            "The same as text messages of a WebSocket.", "/json", ["websocket"], everything
        ),
        "wire": _channel(
            "Binary messages hold whole frames exactly as the box sent them; text messages"
            " between them are JSON.",
            "/wire",
            ["websocket"],
            [*explained, Kind.WIRE.value],
        ),
    }
    for kind in everything:
        channels[f"mqtt-{kind}"] = {
            **_channel(
                "Retained." if kind in {"metadata", "link"} else "Not retained; QoS 0.",
                f"{TOPIC_ROOT}/{{site}}/{{box}}/{kind}",
                ["mqtt"],
                [kind],
            ),
            "parameters": {
                "site": {"description": "name of the place: small letters, digits, hyphens"},
                "box": {"description": "id of the box, 16 hexadecimal digits"},
            },
        }
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Steelyard live stream",
            "version": f"{SCHEMA_VERSION}.0",
            "description": "Measurements of one sensor box as they are taken. In-house"
            " measuring, not a medical device. A consumer that is too slow misses the oldest"
            " messages and is told so by a loss message in their place.",
        },
        "defaultContentType": "application/json",
        "servers": {
            "lines": _server(f"127.0.0.1:{LINE_PORT}", "tcp", "JSON lines"),
            "websocket": _server(f"127.0.0.1:{SOCKET_PORT}", "ws", "WebSocket, RFC 6455"),
            "mqtt": {
                **_server("127.0.0.1:1883", "mqtt", "any MQTT 5 broker"),
                "protocolVersion": "5.0",
            },
        },
        "channels": channels,
        "operations": {
            f"publish-{name}": {"action": "send", "channel": {"$ref": f"#/channels/{name}"}}
            for name in channels
        },
        "components": {
            "messages": {
                **{kind: _json_message(kind) for kind in everything},
                Kind.WIRE.value: {
                    "name": Kind.WIRE.value,
                    "contentType": "application/octet-stream",
                    "summary": "Whole frames of the Steelyard wire protocol, as they came.",
                    "payload": {"type": "string", "format": "binary"},
                },
            },
            "schemas": {kind.value: schema for kind, schema in message_schemas().items()},
        },
    }


def schema_files() -> dict[str, str]:
    """Names and contents of the files in ``schema/``."""
    contents = {SCHEMA_FILE: live_schema(), DOCUMENT_FILE: interface_document()}
    return {name: json.dumps(content, indent=2) + "\n" for name, content in contents.items()}


def write_schema_files(folder: Path = FOLDER) -> None:
    """Write them; a test holds what is there against the code."""
    folder.mkdir(exist_ok=True)
    for name, text in schema_files().items():
        (folder / name).write_text(text, encoding="ascii")


def _server(host: str, protocol: str, description: str) -> dict[str, Any]:
    return {"host": host, "protocol": protocol, "description": description}


def _channel(
    description: str, address: str | None, servers: list[str], messages: list[str]
) -> dict[str, Any]:
    return {
        "address": address,
        "description": description,
        "servers": [{"$ref": f"#/servers/{name}"} for name in servers],
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in messages},
    }


def _json_message(kind: str) -> dict[str, Any]:
    return {
        "name": kind,
        "contentType": "application/json",
        "payload": {"$ref": f"#/components/schemas/{kind}"},
    }
