"""Finding boxes: by asking them who they are, never by the names of ports."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

from steelyard.device.box import Box
from steelyard.device.description import BoxDescription
from steelyard.errors import (
    DeviceNotFoundError,
    PortNameError,
    SteelyardError,
)
from steelyard.transport import Transport, open_transport
from steelyard.transport.opening import Opener
from steelyard.transport.serial_list import CandidatePort, candidate_ports

PROBE_TIMEOUT_SECONDS: Final = 3.0
"""A box that was plugged in a moment ago needs about 2.5 s before it answers."""
_PARALLEL: Final = 8


@dataclass(frozen=True)
class Probe:
    """What came of asking at one port: a box, or the reason why none was found."""

    port: str
    description: BoxDescription | None
    error: SteelyardError | None


def ports_to_ask(candidates: Iterable[CandidatePort], *, everywhere: bool = False) -> list[str]:
    """Which ports to write to: those of likely boards, or on request all of them."""
    return [port.device for port in candidates if port.likely or everywhere]


def discover(
    ports: Iterable[str] | None = None,
    *,
    everywhere: bool = False,
    timeout_seconds: float = PROBE_TIMEOUT_SECONDS,
) -> list[Probe]:
    """Ask at each port, all at the same time, who is there; in the order given.

    Without ``ports``: the serial ports of this machine with a likely board on
    them; with ``everywhere``, all of its serial ports, whatever is plugged in
    there.
    """
    if ports is None:
        ports = ports_to_ask(candidate_ports(), everywhere=everywhere)
    chosen = list(ports)
    if not chosen:
        return []
    with ThreadPoolExecutor(min(_PARALLEL, len(chosen))) as pool:
        return list(pool.map(lambda port: probe(port, timeout_seconds), chosen))


def probe(port: str, timeout_seconds: float = PROBE_TIMEOUT_SECONDS) -> Probe:
    """Ask at one port who is there.  A stream that is running goes on."""
    try:
        with Box.open(port, timeout_seconds) as box:
            return Probe(port, box.description, None)
    except SteelyardError as error:
        return Probe(port, None, error)


def parse_box_id(text: str) -> bytes:
    """A box id from the 16 hexadecimal digits that people write.

    Raises:
        PortNameError: it is something else.
    """
    try:
        box_id = bytes.fromhex(text.strip())
    except ValueError:
        box_id = b""
    if len(box_id) != 8:
        raise PortNameError(
            f"{text!r} is no box id.", "A box id is 16 hexadecimal digits, as the list shows it."
        )
    return box_id


def find_port(box_id: bytes | None = None, *, ports: Iterable[str] | None = None) -> str:
    """The port of the box with this id, or of the only box there is.

    Raises:
        DeviceNotFoundError: no such box, or no box at all, or more than one.
    """
    probes = discover(ports)
    boxes = [item for item in probes if item.description is not None]
    if box_id is not None:
        boxes = [item for item in boxes if item.description and item.description.box_id == box_id]
    if len(boxes) == 1:
        return boxes[0].port
    if boxes:
        listed = ", ".join(
            f"{item.description.box_id_text} on {item.port}" for item in boxes if item.description
        )
        raise DeviceNotFoundError(
            f"There are {len(boxes)} boxes: {listed}.", "Name one by its id or its port."
        )
    wanted = "box" if box_id is None else f"box {box_id.hex()}"
    reasons = "".join(f" {item.error}" for item in probes if item.error is not None)
    raise DeviceNotFoundError(
        f"No {wanted} answers; {len(probes)} likely ports were asked.{reasons}",
        "" if reasons else "Plug the box in, or name its port.",
    )


def opener_for(box_id: bytes, port: str) -> Opener:
    """Opens the port of one box again, wherever it has gone after being replugged.

    The known port comes first.  When it is gone, and it was a serial port, all
    likely ports are asked for the box.
    """

    def reopen() -> Transport:
        try:
            return open_transport(port)
        except DeviceNotFoundError:
            if ":" in port and not port.startswith("/"):
                raise
        return open_transport(find_port(box_id))

    return reopen


def resolve_port(text: str) -> str:
    """The port that a person means: ``auto``, ``box:ID``, or a port by name.

    Raises:
        PortNameError: ``box:`` is followed by no box id.
        DeviceNotFoundError: no such box, or ``auto`` and not exactly one.
    """
    if text == "auto":
        return find_port()
    if text.startswith("box:"):
        return find_port(parse_box_id(text.removeprefix("box:")))
    return text
