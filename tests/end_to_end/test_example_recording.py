"""The example recording that outsiders test decoders with reads as its description says."""

from __future__ import annotations

import json

from end_to_end.example_recording import EXPECTED, RECORDING, findings


def test_the_reader_finds_what_is_written_down() -> None:
    assert findings(RECORDING) == json.loads(EXPECTED.read_text(encoding="utf-8"))


def test_it_holds_what_it_promises() -> None:
    expected = json.loads(EXPECTED.read_text(encoding="utf-8"))
    assert len(expected["boot_ids"]) == 2
    assert expected["link_changes"] == ["opened", "lost", "opened", "closed"]
    assert expected["corrupt_pieces"] > 0
    assert expected["torn_tail_bytes"] > 0
    assert expected["frames"]["recording_document"] > len(expected["documents"])
    assert all(missing > 0 for missing in expected["missing"].values())
    first, middle = (expected["channels"][0][name] for name in ("first", "middle"))
    assert first["device_us"] < 2**30 < middle["device_us"], "the clock wraps"
    data = expected["documents"][0]["text"].encode("utf-8")
    assert data[191:193] in {"ö".encode(), "Ä".encode()}, "a letter is cut between two parts"
