"""What may be asked of a running broker, and how each request is carried out."""

from __future__ import annotations

import os
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any, Final

from steelyard_protocol.records import DocumentKind

from steelyard.calibration.calibration_file import (
    AnyCalibration,
    load_any_calibration,
    parse_calibration,
)
from steelyard.errors import ControlError, PublishError, SteelyardError
from steelyard.publish.acquisition import Acquisition
from steelyard.publish.broker import Broker
from steelyard.publish.joint import GivenProfile
from steelyard.publish.recording_desk import RecordingDesk, RecordingOrder
from steelyard.recording.documents import Document
from steelyard.recording.file_format import Subject

Plain = dict[str, Any]

_KINDS: Final = {kind.name.lower(): kind for kind in DocumentKind}


class ControlRequests:
    """Carries requests out.  Whatever the request, `answer` gives an answer and never raises."""

    def __init__(self, broker: Broker, stop: Callable[[], None]) -> None:
        """Of an open broker; ``stop`` ends it, soon."""
        if broker.acquisition is None or broker.desk is None:
            raise PublishError("The broker is not open.", "Use it in an `async with` block.")
        self._broker = broker
        self._acquisition: Acquisition = broker.acquisition
        self._desk: RecordingDesk = broker.desk
        self._stop = stop
        self._known: dict[str, Callable[[Plain], Awaitable[Plain]]] = {
            "start_recording": self._start_recording,
            "end_recording": self._end_recording,
            "annotate": self._annotate,
            "use_calibrations": self._use_calibrations,
            "state": self._state,
            "stop": self._end_broker,
        }

    @property
    def is_recording(self) -> bool:
        """Whether a recording is under way."""
        return self._desk.is_busy

    async def answer(self, request: object) -> Plain:
        """Carry one request out; see the class."""
        number = request.get("id") if isinstance(request, dict) else None
        known = number if isinstance(number, (int, str)) else None
        try:
            if not isinstance(request, dict):
                raise ControlError("A request is a JSON object.", '{"id": 1, "request": "state"}')
            return {"id": known, "done": True, **await self._carry_out(request)}
        except SteelyardError as error:
            return {"id": known, "done": False, "what": error.what, "advice": error.advice}
        except Exception as error:  # a fault of this program must not end recording and stream
            what = f"The broker could not do that ({error!r})."
            return {"id": known, "done": False, "what": what, "advice": "Report this."}

    async def _carry_out(self, request: Plain) -> Plain:
        name = _text(request, "request")
        if name not in self._known:
            raise ControlError(
                f"There is no request {name[:60]!r}.", f"There are: {', '.join(self._known)}."
            )
        return await self._known[name](request)

    async def _start_recording(self, request: Plain) -> Plain:
        order = RecordingOrder(
            Subject(_text(request, "machine", ""), _text(request, "client", "")),
            tuple(_document(item) for item in _list(request, "documents")),
            _text(request, "name", ""),
        )
        return {"recording": await self._desk.start(order)}

    async def _end_recording(self, request: Plain) -> Plain:
        return {"recording": await self._desk.end()}

    async def _annotate(self, request: Plain) -> Plain:
        await self._desk.annotate(_text(request, "text"))
        return {}

    async def _use_calibrations(self, request: Plain) -> Plain:
        paths = [Path(_string(item)) for item in _list(request, "paths")]
        texts = [_string(item) for item in _list(request, "texts")]
        calibrations: list[AnyCalibration] = [load_any_calibration(path) for path in paths]
        calibrations += [parse_calibration(text, "the request") for text in texts]
        profile = _text(request, "profile", "")
        await self._desk.use(calibrations, _profile(profile) if profile else None)
        return {"calibrations": [item.calibration_id for item in calibrations]}

    async def _state(self, request: Plain) -> Plain:
        broker, acquisition = self._broker, self._acquisition
        profile = acquisition.announcer.profile
        return {
            "live": acquisition.announcer.is_live,
            "box_id": acquisition.box_id.hex(),
            "site": broker.source.site,
            "machine": broker.source.machine,
            "profile": profile.profile.name if profile is not None else None,
            "calibrations": [item.calibration_id for item in acquisition.announcer.calibrations],
            "consumers": len(broker.hub.consumers),
            "lines": broker.line_address,
            "websocket": broker.socket_address,
            "pid": os.getpid(),
            "recording": self._desk.state(),
        }

    async def _end_broker(self, request: Plain) -> Plain:
        self._stop()
        return {}


def _document(item: object) -> Document:
    if not isinstance(item, dict):
        raise ControlError("A document is an object.", '{"kind": "note", "text": "..."}')
    kind = _text(item, "kind")
    if kind not in _KINDS:
        raise ControlError(
            f"A recording takes no document of kind {kind[:60]!r}.",
            f"There are: {', '.join(_KINDS)}.",
        )
    return Document(_KINDS[kind], _text(item, "text"))


def _profile(text: str) -> GivenProfile:
    """From its JSON text, a file's path or the name of a ready one."""
    return GivenProfile.of(text) if text.lstrip().startswith("{") else GivenProfile.load(text)


def _text(request: Mapping[str, object], key: str, default: str | None = None) -> str:
    value = request.get(key, default)
    if not isinstance(value, str):
        raise ControlError(f"The request needs a text as {key!r}.", "Add it and ask again.")
    return _whole_letters(value)


def _string(item: object) -> str:
    if not isinstance(item, str):
        raise ControlError("A list of texts holds something else.", "Give texts only.")
    return _whole_letters(item)


def _whole_letters(text: str) -> str:
    """JSON can spell half a letter, which no file can hold (RFC 8259, section 8.2)."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise ControlError(
            f"A text of the request holds half a letter at place {error.start}.",
            "Give surrogates in pairs, or the letter itself.",
        ) from error
    return text


def _list(request: Mapping[str, object], key: str) -> list[object]:
    value = request.get(key, [])
    if not isinstance(value, list):
        raise ControlError(f"{key!r} must be a list.", "Leave it out, or give a list.")
    return value
