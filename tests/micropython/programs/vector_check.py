"""Hold the device codec and the sealing against the golden vectors.

Runs inside the MicroPython virtual machine and on CPython.
"""

# ruff: noqa: PTH123, PTH208 -- MicroPython has no pathlib

import json
import os

from box import seal, wire
from box.outbox import Outbox

REQUEST_FIELDS = {
    "identify": ("correlation_id",),
    "start_stream": ("correlation_id",),
    "stop_stream": ("correlation_id",),
    "read_clock": ("correlation_id",),
    "read_setting": ("correlation_id", "key", "channel"),
    "write_setting": ("correlation_id", "key", "channel", "number", "text"),
    "run_self_test": ("correlation_id",),
    "describe_document": ("correlation_id", "channel"),
    "read_document": ("correlation_id", "channel", "part"),
    "write_document": ("correlation_id", "channel", "kind", "length", "crc32", "part", "text"),
    "erase_document": ("correlation_id", "channel"),
    "read_flag_totals": ("correlation_id", "channel"),
}


def _value(value):
    return bytes.fromhex(value) if isinstance(value, str) else value


def _framed(payload):
    """All slots of the frame around `payload`, as the box would send them."""
    outbox = Outbox()
    outbox.scratch[1 : 1 + len(payload)] = payload
    outbox.post(len(payload))
    slots = b""
    while outbox.count:
        slots += bytes(outbox.oldest_slot())
        outbox.release()
    return slots


def _check_packing(pack, case, fields):
    payload = bytes.fromhex(case["payload"])
    buffer = bytearray(len(payload) + 2)
    size = pack(buffer, 1, **fields)
    found = bytes(buffer[1:-1])
    if size != len(payload) or found != payload or buffer[0] or buffer[-1]:
        return f"packed {size} bytes, {found.hex()}"
    return None


def _check_unpacking(name, unpack, case, fields):
    found = unpack(b"\xff" + bytes.fromhex(case["payload"]), 1)
    expected = tuple(fields[field] for field in REQUEST_FIELDS[name])
    return None if found == expected else f"unpacked {found!r}"


def _check_case(name, case):
    fields = {}
    for field in case["fields"]:
        fields[field] = _value(case["fields"][field])
    if name in REQUEST_FIELDS:
        fault = _check_unpacking(name, getattr(wire, "unpack_" + name), case, fields)
    else:
        fault = _check_packing(getattr(wire, "pack_" + name), case, fields)
    frame = _framed(bytes.fromhex(case["payload"]))
    if fault is None and frame != bytes.fromhex(case["frame"]):
        fault = f"framed {frame.hex()}"
    return fault


def _concerns_the_box(name):
    return name in REQUEST_FIELDS or hasattr(wire, "pack_" + name)


def check(folder):
    """Check every vector in `folder` that a box can meet; returns counts and faults."""
    checked = {}
    faults = []
    for file_name in os.listdir(folder):
        if not file_name.startswith("message_"):
            continue
        with open(folder + "/" + file_name) as file:
            vectors = json.load(file)
        name = vectors["message"]
        if not _concerns_the_box(name):
            continue
        checked[name] = len(vectors["cases"])
        for case in vectors["cases"]:
            fault = _check_case(name, case)
            if fault is not None:
                faults.append(f"{name}, {case['name']}: {fault}")
    return {
        "checked": checked,
        "faults": faults,
        "native": seal.seal is not seal.seal_bytecode,
    }
