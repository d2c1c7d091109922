"""Texts that come from elsewhere, spoilt, and everything that reads them.

A parser answers or raises SteelyardError; anything else is a finding.  `made` turns any
bytes into a parser and a text for it: a sound text of its kind in which some values were
replaced by others that JSON allows and nobody expects.  Random bytes, hypothesis and the
coverage-guided fuzzer all go through it.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from host.calibration.test_calibration_file import calibration
from steelyard.calibration.calibration_file import parse_calibration
from steelyard.calibration.canonical_json import sealed_text
from steelyard.calibration.readings_file import parse_json
from steelyard.errors import SteelyardError
from steelyard.publish.control_requests import ControlRequests
from steelyard.report.result_file import parsed_result
from steelyard.screen.live.door import MESSAGE_LIMIT, _understood
from steelyard.screen.live.feed import Feed
from steelyard.screen.live.points import PointMaker
from steelyard.screen.visit.wire_feed import WireFeed
from steelyard.strength.profile_file import profile_from_json, profile_text
from steelyard.strength.session_sheet import SessionSheet, sheet_from_json

ODD: tuple[Any, ...] = (
    None, True, False, 0, -1, 1 << 31, 1 << 64, 10**400, -(10**400), 1e308, 5e-324, -0.0,
    float("nan"), float("inf"), "", "x", "0", "heron", "\x00", "\ud800", "é" * 300, [], [[]], {},
    [None], {"": None}, [1, 2, 3], {"value": "1"}, [0.0] * 500,
)  # fmt: skip
DEEP = "[" * 100_000
SAMPLE = {
    "channel": 0, "sequence": 4, "device_us": 5, "unix_us": 6, "counts": 7, "flags": ["desync"],
    "sound": True, "force_newtons": 8.0, "torque_newton_metres": 1.0, "angle_counts": 9,
    "arm_angle_degrees": 10.0, "extrapolated": False,
}  # fmt: skip
MESSAGES: tuple[Any, ...] = (
    {"type": "samples", "samples": [SAMPLE, SAMPLE]},
    {"type": "link", "live": False, "reason": "unplugged"},
    {"type": "loss", "samples_missed": 5},
    {"type": "status", "samples_total": 5},
    {"type": "metadata", "box": {}},
)
REQUESTS: tuple[Any, ...] = (
    {"id": 1, "request": "state"},
    {"id": 2, "request": "start_recording", "machine": "Heron", "client": "C-001", "name": "a",
     "documents": [{"kind": "note", "text": "b"}]},
    {"id": 3, "request": "annotate", "text": "c"},
    {"id": 4, "request": "use_calibrations", "paths": ["d"], "texts": ["{}"], "profile": "heron"},
    {"id": 5, "request": "stop"},
)  # fmt: skip


class Choices:
    """Numbers drawn from bytes; zeros once they are used up."""

    def __init__(self, data: bytes) -> None:
        self._data = iter(data)

    @property
    def any_left(self) -> bool:
        return self._data.__length_hint__() > 0

    def below(self, limit: int) -> int:
        return (next(self._data, 0) << 8 | next(self._data, 0)) % limit

    def of(self, items: Any) -> Any:
        return items[self.below(len(items))]


def spoilt(value: Any, choices: Choices) -> Any:
    """One value somewhere within replaced, left out or put in twice."""
    if isinstance(value, dict) and value and choices.below(8):
        key = choices.of(list(value))
        what = choices.below(12)
        if what == 0:
            return {name: item for name, item in value.items() if name != key}
        if what == 1:
            return {**value, choices.of(("", "x", "schema", "value")): choices.of(ODD)}
        return {**value, key: spoilt(value[key], choices)}
    if isinstance(value, list) and value and choices.below(8):
        at = choices.below(len(value))
        what = choices.below(8)
        if what == 0:
            return value[:at] + value[at + 1 :]
        if what == 1:
            return [*value, value[at]]
        return [*value[:at], spoilt(value[at], choices), *value[at + 1 :]]
    return choices.of(ODD)


async def _answered(request: object) -> None:
    """A broker's door; what recording and stream then do is not its business."""

    async def done(*_: object) -> dict[str, Any]:
        return {}

    desk = SimpleNamespace(start=done, end=done, annotate=done, use=done, state=dict, is_busy=False)
    announcer = SimpleNamespace(profile=None, is_live=True, calibrations=())
    broker = SimpleNamespace(
        acquisition=SimpleNamespace(announcer=announcer, box_id=bytes(8)),
        desk=desk,
        source=SimpleNamespace(site="s", machine="m"),
        hub=SimpleNamespace(consumers=()),
        line_address=None,
        socket_address=None,
    )
    answer = await ControlRequests(broker, lambda: None).answer(request)  # type: ignore[arg-type]
    assert "Report this" not in answer.get("advice", ""), answer
    json.dumps(answer)


def _heard(text: str) -> None:
    feed = Feed(PointMaker(profile_from_json(profile_text("heron"))), lambda: None)
    with suppress(ValueError):  # a stream that is none: it is left, and tried again
        feed._take(text.encode("utf-8", "surrogatepass"))


def _read_off(text: str) -> None:
    taker = SimpleNamespace(lose_link=lambda because: None)
    with suppress(ValueError):
        WireFeed(taker, lambda: None)._take_text(text)  # type: ignore[arg-type]


def _door(text: str) -> None:
    if len(text) <= MESSAGE_LIMIT:
        json.dumps(_understood(text).get("clock"))


@cache
def kinds() -> dict[str, tuple[Callable[[str], object], tuple[Any, ...]]]:
    """Each parser with sound contents for it."""
    sheet = json.loads(SessionSheet().to_json())
    profiles = tuple(json.loads(profile_text(name)) for name in ("heron", "wren"))
    result = {
        "schema": "steelyard session result", "schema_version": 1,
        "provenance": {}, "analysis": {}, "summary": {}, "sheet": sheet,
    }  # fmt: skip
    reading = {
        "points": [
            {"run": 1, "direction": "up", "mass_kg": 20.0, "counts_mean": 1e5,
             "counts_standard_error": 3.0, "sample_count": 80, "weights": ["a"]}
        ]
    }  # fmt: skip
    return {
        "calibration": (
            lambda text: parse_calibration(text, "here"),
            (json.loads(calibration().to_json()),),
        ),
        "profile": (profile_from_json, profiles),
        "sheet": (sheet_from_json, (sheet,)),
        "result": (lambda text: parsed_result(text, Path("here")), (result,)),
        "readings": (parse_json, (reading,)),
        "request": (lambda text: asyncio.run(_answered(json.loads(text))), REQUESTS),
        "feed": (_heard, MESSAGES),
        "wire text": (_read_off, MESSAGES),
        "door": (_door, ({"clock": 1.5, "seen": 7}, {"seen": 1 << 40})),
    }


def made(data: bytes) -> tuple[str, str]:
    """A parser's name and a text for it."""
    choices = Choices(data)
    name = choices.of(sorted(kinds()))
    content = choices.of(kinds()[name][1])
    content = spoilt(content, choices)
    while choices.any_left:
        content = spoilt(content, choices)
    return name, text_of(content)


def text_of(content: Any) -> str:
    """Calibrations sealed anew, or all that is found would be that they were changed."""
    if isinstance(content, dict) and "calibration_id" in content:
        with suppress(SteelyardError):
            return sealed_text({k: v for k, v in content.items() if k != "calibration_id"})
    return json.dumps(content)


def check(name: str, text: str) -> None:
    """An answer or a plain error."""
    with suppress(SteelyardError):
        kinds()[name][0](text)
