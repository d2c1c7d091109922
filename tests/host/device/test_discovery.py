"""Finding boxes by asking, over real sockets."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack

import pytest
from host.device.scripted_box import BOX_ID, ScriptedBox, identity
from host.transport.box_servers import TcpBox, tcp_box
from pytest_mock import MockerFixture
from steelyard.device.discovery import (
    discover,
    find_port,
    opener_for,
    parse_box_id,
    ports_to_ask,
    probe,
    resolve_port,
)
from steelyard.errors import DeviceNotFoundError, PortNameError, ProtocolVersionError
from steelyard.transport.serial_list import CandidatePort

OTHER_ID = bytes(range(1, 9))
SHORT = 0.6


@pytest.fixture
def boxes() -> Iterator[list[TcpBox]]:
    with ExitStack() as stack:
        yield [
            stack.enter_context(tcp_box(ScriptedBox(identity(box_id=box_id))))
            for box_id in (BOX_ID, OTHER_ID)
        ]


@pytest.fixture
def found(boxes: list[TcpBox], mocker: MockerFixture) -> list[TcpBox]:
    """Stands in for the operating system's list of ports."""
    candidates = [CandidatePort(box.port, "", 0x2E8A, 5, "", True) for box in boxes]
    mocker.patch("steelyard.device.discovery.candidate_ports", return_value=candidates)
    return boxes


def test_asks_everywhere_and_keeps_the_order(boxes: list[TcpBox]) -> None:
    with (
        tcp_box(ScriptedBox(deaf=True)) as silent,
        tcp_box(ScriptedBox(identity(protocol_major=9))) as newer,
    ):
        ports = [silent.port, boxes[1].port, newer.port, boxes[0].port, "socket://127.0.0.1:1"]
        probes = discover(ports, timeout_seconds=SHORT)
    assert [item.port for item in probes] == ports
    ids = [item.description.box_id if item.description else None for item in probes]
    assert ids == [None, OTHER_ID, None, BOX_ID, None]
    assert isinstance(probes[0].error, DeviceNotFoundError)
    assert isinstance(probes[2].error, ProtocolVersionError)
    assert isinstance(probes[4].error, DeviceNotFoundError)


def test_asking_does_not_stop_a_stream(boxes: list[TcpBox]) -> None:
    boxes[0].box.streaming = True
    assert probe(boxes[0].port, SHORT).description is not None
    assert boxes[0].box.streaming


def test_no_ports_no_boxes(mocker: MockerFixture) -> None:
    mocker.patch("steelyard.device.discovery.candidate_ports", return_value=[])
    assert discover() == []
    with pytest.raises(DeviceNotFoundError, match="Plug the box in"):
        find_port()


def test_unlikely_ports_are_written_to_only_on_request() -> None:
    ports = [
        CandidatePort("/dev/ttyACM0", "", 0x2E8A, 5, "", True),
        CandidatePort("/dev/ttyUSB0", "", 0x1234, 1, "", False),
    ]
    assert ports_to_ask(ports) == ["/dev/ttyACM0"]
    assert ports_to_ask(ports, everywhere=True) == ["/dev/ttyACM0", "/dev/ttyUSB0"]


def test_finds_a_box_by_its_id(found: list[TcpBox]) -> None:
    assert find_port(OTHER_ID) == found[1].port
    assert resolve_port(f"box:{BOX_ID.hex()}") == found[0].port
    assert resolve_port("/dev/ttyACM0") == "/dev/ttyACM0"
    with pytest.raises(DeviceNotFoundError, match="No box 0000000000000000"):
        find_port(bytes(8))


def test_the_only_box_there_is(found: list[TcpBox]) -> None:
    with pytest.raises(DeviceNotFoundError, match=f"There are 2 boxes: {BOX_ID.hex()}"):
        resolve_port("auto")
    found[1].box.deaf = True
    assert resolve_port("auto") == found[0].port


def test_a_box_that_moved_to_another_port_is_opened_there(
    found: list[TcpBox], mocker: MockerFixture
) -> None:
    reopen = opener_for(OTHER_ID, "/dev/no-such-port")
    with reopen() as port:
        assert port.description == found[1].port
    with pytest.raises(DeviceNotFoundError, match="Nothing answers"):
        opener_for(OTHER_ID, "socket://127.0.0.1:1")()


@pytest.mark.parametrize("text", ["", "e661", "zz" * 8, "00" * 9])
def test_what_is_no_box_id(text: str) -> None:
    with pytest.raises(PortNameError, match="16 hexadecimal digits"):
        parse_box_id(text)
