"""After a lost link: a serial box is looked for, and its boot id says whether it kept its power."""

from __future__ import annotations

import pytest
from pytest_mock import MockerFixture
from steelyard.bringup.rejoin import Rejoined, Return, lost_link, rejoin
from steelyard.device import Box
from steelyard.errors import DeviceNotFoundError
from steelyard.simulator.port import SimulatedPort, open_simulated_port
from steelyard.transport import Transport
from steelyard.transport.port import ClosesItself


class SerialLike(ClosesItself):
    """A port that cannot be joined again by itself, as a serial one."""

    def __init__(self, port: SimulatedPort) -> None:
        self.port = port
        self.description = "/dev/ttyACM0"
        self.clock = port.clock

    def read(self, timeout_seconds: float) -> bytes:
        return self.port.read(timeout_seconds)

    def write(self, data: bytes) -> None:
        self.port.write(data)

    def close(self) -> None:
        self.port.close()


@pytest.mark.parametrize("reboots", [False, True])
def test_a_serial_box_that_comes_back(mocker: MockerFixture, reboots: bool) -> None:
    port = open_simulated_port("heron?speed=max&task=weights")
    attempts = 0

    def opener() -> Transport:
        nonlocal attempts
        attempts += 1
        if attempts < 3:
            raise DeviceNotFoundError("Not there.", "Wait.")
        if reboots:
            port.box.reboot()
        return port.reopen()

    found = mocker.patch("steelyard.bringup.rejoin.opener_for", return_value=opener)
    sleep = mocker.patch("steelyard.bringup.rejoin.time.sleep", side_effect=port.clock.sleep)
    with Box.open(SerialLike(port)) as box:
        rejoined = rejoin(box)
    assert rejoined.back is (Return.NEW_BOOT if reboots else Return.SAME_BOOT)
    assert rejoined.seconds == pytest.approx(0.6, abs=0.5)
    assert sleep.call_count == 2
    found.assert_called_with(box.description.box_id, "/dev/ttyACM0")


def test_the_wait_has_an_end(mocker: MockerFixture) -> None:
    port = open_simulated_port("heron?speed=max&task=weights")
    gone = DeviceNotFoundError("Not there.", "Wait.")
    mocker.patch("steelyard.bringup.rejoin.opener_for", side_effect=gone)
    mocker.patch("steelyard.bringup.rejoin.time.sleep", side_effect=port.clock.sleep)
    with Box.open(SerialLike(port)) as box:
        rejoined = rejoin(box, wait_seconds=2.0)
    assert rejoined.back is Return.NOT
    assert rejoined.seconds >= 2.0


@pytest.mark.parametrize(
    ("back", "code"),
    [
        (Return.NOT, "link_lost"),
        (Return.SAME_BOOT, "link_interrupted"),
        (Return.NEW_BOOT, "power_lost"),
    ],
)
def test_each_return_has_its_own_finding(back: Return, code: str) -> None:
    finding = lost_link("cable out", Rejoined(back, 1.25))
    assert finding.code == code
    assert "cable out" in finding.measured
