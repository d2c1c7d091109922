"""Which serial ports a box may be on."""

from __future__ import annotations

from serial.tools.list_ports_common import ListPortInfo
from steelyard.transport.serial_list import candidate_ports, from_listing


def listed(device: str, vid: int | None = None, serial_number: str | None = None) -> ListPortInfo:
    port = ListPortInfo(device, skip_link_detection=True)
    port.vid, port.serial_number = vid, serial_number
    return port


def test_likely_ports_come_first() -> None:
    ports = from_listing(
        [listed("/dev/ttyS0"), listed("/dev/ttyACM1", 0x2E8A, "E66"), listed("/dev/ttyACM0", 0x1)],
        "linux",
    )
    assert [(port.device, port.likely) for port in ports] == [
        ("/dev/ttyACM1", True),
        ("/dev/ttyACM0", False),
        ("/dev/ttyS0", False),
    ]
    assert ports[0].usb_serial == "E66"
    assert ports[2].vendor_id is None


def test_each_port_once_and_by_its_callout_name_on_macos() -> None:
    names = ["/dev/tty.usbmodem101", "/dev/cu.usbmodem101"]
    ports = from_listing([listed(name, 0x2E8A) for name in names], "darwin")
    assert [port.device for port in ports] == ["/dev/cu.usbmodem101"]


def test_the_list_of_this_machine_can_be_read() -> None:
    assert all(port.device for port in candidate_ports())
