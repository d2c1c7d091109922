"""The USB link: one byte in, one slot out, never a wait."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from drivers.usb_link import UsbLink
from steelyard_protocol import codec, records

POLLIN, POLLOUT = 1, 4
FIFO_BYTES = 256


class Port:
    """Stand-in for stdin, stdout and `select`, with the rp2 port's rules.

    "Writable" means any room at all; a write that does not fit would wait.
    """

    POLLIN = POLLIN
    POLLOUT = POLLOUT

    def __init__(self) -> None:
        self.buffer = self
        self.incoming = bytearray()
        self.held = 0
        self.waits = 0
        self.asleep = False
        self.now_ms = 0
        self.interrupt_characters: list[int] = []
        self._registered = 0

    def poll(self) -> Port:
        poller = Port()
        poller._owner = self  # type: ignore[attr-defined]
        return poller

    def register(self, stream: object, mask: int) -> None:
        self._registered = mask

    def ipoll(self, timeout: int) -> Iterator[int]:
        owner: Port = self._owner  # type: ignore[attr-defined]
        if self._registered == POLLIN and owner.incoming:
            yield POLLIN
        if self._registered == POLLOUT and (owner.asleep or owner.held < FIFO_BYTES):
            yield POLLOUT

    def readinto(self, target: bytearray) -> int:
        target[0] = self.incoming.pop(0)
        return 1

    def write(self, data: bytes) -> int:
        fits = self.held + len(data) <= FIFO_BYTES
        self.waits += not fits
        if self.asleep and not fits:
            self.now_ms += 500
            return 0
        self.held += len(data)
        return len(data)

    def ticks_ms(self) -> int:
        return self.now_ms

    def ticks_diff(self, later: int, earlier: int) -> int:
        return later - earlier

    def kbd_intr(self, character: int) -> None:
        self.interrupt_characters.append(character)


@pytest.fixture
def port() -> Port:
    return Port()


@pytest.fixture
def link(port: Port) -> UsbLink:
    return UsbLink(port, port, port, port, port)


def test_bytes_come_one_by_one_and_then_none(port: Port, link: UsbLink) -> None:
    port.incoming += b"\x00\x03\xff"
    assert [link.read_byte() for _ in range(4)] == [0, 3, 255, -1]


@pytest.mark.parametrize("taken", [32, 64, 128, 256])
def test_slots_of_32_bytes_never_wait_whatever_the_host_takes(
    port: Port, link: UsbLink, taken: int
) -> None:
    slot = memoryview(bytes(32))
    for _ in range(100):
        while link.has_room():
            link.write_slot(slot)
        assert port.held == FIFO_BYTES
        port.held -= taken
    assert port.waits == 0


@pytest.mark.parametrize("size", [26, 63, 65])
def test_other_sizes_would_wait(port: Port, link: UsbLink, size: int) -> None:
    # The reason for the rule: "room" is not room for what is written.
    while link.has_room():
        link.write_slot(memoryview(bytes(size)))
    assert port.waits == 1


def test_a_computer_that_sleeps_costs_one_wait_in_two_seconds(port: Port, link: UsbLink) -> None:
    # The port says "ready" all the time, and takes nothing.
    port.asleep = True
    slot = memoryview(bytes(32))
    for _ in range(10_000):
        if link.has_room():
            link.write_slot(slot)
        port.now_ms += 1
    assert port.held == FIFO_BYTES
    assert port.waits == 5  # in ten seconds of looking
    port.asleep = False
    port.held = 0
    port.now_ms += 2000
    assert link.has_room()
    link.write_slot(slot)
    assert link.has_room()


def test_ctrl_c_is_data_only_while_open(port: Port, link: UsbLink) -> None:
    link.open()
    link.close()
    assert port.interrupt_characters == [-1, 3]


def read_all(port: Port, link: UsbLink, received: bytes) -> None:
    port.incoming += received
    while link.read_byte() >= 0:
        pass


@pytest.mark.parametrize(
    ("received", "wanted"),
    [
        (b"\x03" * 63, False),
        (b"\x03" * 64, True),
        (b"\x00" + b"\x03" * 64 + b"\r\x01", True),
        (b"\x03" * 63 + b"A" + b"\x03" * 63, False),
    ],
)
def test_64_ctrl_c_in_a_row_ask_for_the_prompt(
    port: Port, link: UsbLink, received: bytes, wanted: bool
) -> None:
    read_all(port, link, received)
    assert link.prompt_wanted == wanted
    port.now_ms += 10_000
    read_all(port, link, b"")
    assert link.prompt_wanted == wanted


def test_after_garbage_they_count_when_silence_follows(port: Port, link: UsbLink) -> None:
    read_all(port, link, b"AT\r\n" + b"\x03" * 70)
    assert not link.prompt_wanted
    port.now_ms += 100
    read_all(port, link, b"")
    assert link.prompt_wanted


def requests_full_of_ctrl_c() -> list[bytes]:
    """The two longest requests: a setting's text, and a piece of a stored one."""
    setting = records.WriteSetting(0x0303, 0x03, 0x03, 0x03030303, b"\x03" * 16)
    piece = records.WriteDocument(0x0303, 3, 3, 0x0303, 0x03030303, 3, b"\x03" * 192)
    return [codec.encode(setting), codec.encode(piece)]


@pytest.mark.parametrize("request_bytes", requests_full_of_ctrl_c(), ids=["setting", "piece"])
def test_no_request_can_ask_for_the_prompt_by_accident(
    port: Port, link: UsbLink, request_bytes: bytes
) -> None:
    for at in range(0, len(10 * request_bytes), 64):  # as USB brings it
        read_all(port, link, (10 * request_bytes)[at : at + 64])
        port.now_ms += 20
    port.now_ms += 10_000
    read_all(port, link, b"")
    assert not link.prompt_wanted
