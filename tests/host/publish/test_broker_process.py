"""The broker in a process of its own: started, killed, taken over, left alone, ended in order."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import stat
import sys
import time
from pathlib import Path

import pytest
from command_line import environment
from host.publish.consumers import PATIENCE_SECONDS, connected
from host.publish.paced_boxes import PacedBoxes
from steelyard.errors import ControlError, PublishError
from steelyard.publish.broker_process import BrokerPlan, BrokerProcess
from steelyard.publish.broker_seat import read_seat
from steelyard.publish.control_client import ControlClient
from steelyard.recording.reader import read_recording
from steelyard.recording.validation_report import Verdict
from steelyard.recording.validator import validate
from steelyard.simulator.pty import PtyBox

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kills and pseudo-terminals")


@pytest.fixture(autouse=True)
def _importable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", environment()["PYTHONPATH"])


async def first_line_of(number: int) -> dict[str, object]:
    async with connected(("127.0.0.1", number), 1 << 20) as (reader, _):
        return dict(json.loads(await reader.readline()))


async def until_recorded(broker: BrokerProcess, samples: int) -> dict[str, object]:
    async with asyncio.timeout(PATIENCE_SECONDS):
        while True:
            state = dict((await broker.control.state())["recording"])
            if state["samples_total"] >= samples:
                return state
            await asyncio.sleep(0.05)


def test_a_session_on_a_serial_port(tmp_path: Path) -> None:
    """The virtual box behind a pseudo-terminal, as a real one behind /dev/ttyACM0."""

    async def run(port: str) -> Path:
        plan = BrokerPlan(port, tmp_path / "recordings", machine="Heron")
        async with BrokerProcess(plan) as broker:
            metadata = await first_line_of(broker.doors.lines)
            assert metadata["machine"] == "Heron"
            await broker.control.start_recording("Heron", "C-001", name="visit")
            await until_recorded(broker, 400)
            await broker.control.annotate("halfway")
            ended = await broker.control.end_recording()
            process_id = broker.doors.process_id
        with pytest.raises(ProcessLookupError):
            os.kill(process_id, 0)
        return Path(str(ended["path"]))

    with PtyBox("heron?task=rest") as box:
        path = asyncio.run(run(str(box.path)))
    report = validate(path)
    # This session is in real time, between processes: how far its time marks scatter is how busy
    # the computer is, which the validator rightly remarks on, and a test must not depend on.  That
    # an untroubled session has no finding at all is held in virtual time: test_simulated_box.
    assert {one.code for one in report.findings} <= {"clock_residual"}
    assert report.verdict is not Verdict.DAMAGED
    assert report.annotations_total == 1
    assert report.missing_total == 0


def test_a_killed_broker_leaves_a_readable_file_and_is_started_again(
    box: PacedBoxes, tmp_path: Path
) -> None:
    async def run() -> None:
        changes: list[str] = []
        plan = BrokerPlan(f"socket://127.0.0.1:{box.numbers[0]}", tmp_path)
        async with BrokerProcess(plan, lambda: changes.append(broker.trouble)) as broker:
            await broker.control.start_recording(name="one")
            before = await until_recorded(broker, 300)
            killed = broker.doors.process_id
            os.kill(killed, signal.SIGKILL)
            async with asyncio.timeout(PATIENCE_SECONDS):
                while broker.is_running or not changes:
                    await asyncio.sleep(0.01)
            assert "exit code -9" in changes[0]
            with pytest.raises(ControlError, match="has ended"):
                _ = broker.control
            async with asyncio.timeout(PATIENCE_SECONDS):
                while not broker.is_running:
                    await asyncio.sleep(0.05)
            assert broker.doors.process_id != killed
            assert (broker.starts_total, broker.trouble) == (2, "")
            report = validate(tmp_path / "one.steelyard")
            assert report.frames_bad_total == 0
            assert report.missing_total == 0
            assert not report.is_closed
            assert len(read_recording(tmp_path / "one.steelyard").loads[0]) >= int(
                str(before["samples_total"])
            )
            state = await broker.control.start_recording(name="two")
            assert state["on"] is True

    asyncio.run(run())
    assert validate(tmp_path / "two.steelyard").is_closed


def test_a_later_owner_takes_over_a_running_recording(box: PacedBoxes, tmp_path: Path) -> None:
    seat = tmp_path / "seat.json"
    plan = BrokerPlan(f"socket://127.0.0.1:{box.numbers[0]}", tmp_path, seat=seat)

    async def first() -> int:
        broker = await BrokerProcess(plan).__aenter__()
        await broker.control.start_recording(name="visit")
        process_id = broker.doors.process_id
        await broker.leave()
        return process_id

    async def second(process_id: int) -> None:
        async with BrokerProcess(plan) as broker:
            assert broker.starts_total == 0
            assert broker.doors.process_id == process_id
            await until_recorded(broker, 300)

    process_id = asyncio.run(first())
    assert stat.S_IMODE(seat.stat().st_mode) == 0o600
    time.sleep(0.5)
    asyncio.run(second(process_id))
    assert not seat.exists()
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not validate(tmp_path / "visit.steelyard").is_closed:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    assert validate(tmp_path / "visit.steelyard").missing_total == 0


def test_a_seat_that_means_nothing_is_passed_over(box: PacedBoxes, tmp_path: Path) -> None:
    port = f"socket://127.0.0.1:{box.numbers[0]}"
    seat = tmp_path / "seat.json"
    stale = {"lines": 1, "websocket": 2, "control": 9, "token": "x", "process_id": 1, "port": port}
    for text in ("", "{}", "[1]", "x" * 5000):
        seat.write_text(text, encoding="ascii")
        assert read_seat(seat) is None
    # One that could be true, but nobody serves there.
    seat.write_text(json.dumps(stale), encoding="ascii")

    async def run() -> None:
        async with BrokerProcess(BrokerPlan(port, tmp_path, seat=seat)) as broker:
            assert broker.starts_total == 1

    asyncio.run(run())


def test_nobody_there_and_nothing_to_do_ends_it(box: PacedBoxes, tmp_path: Path) -> None:
    plan = BrokerPlan(f"socket://127.0.0.1:{box.numbers[0]}", tmp_path, unattended_seconds=1.0)

    async def run() -> None:
        broker = await BrokerProcess(plan).__aenter__()
        await asyncio.sleep(2.0)
        assert broker.is_running, "an owner is there, so it stays"
        await broker.control.start_recording(name="visit")
        process = broker._process
        assert process is not None
        await broker._stop_keeping()
        number, token = broker.doors.control, broker.doors.token
        await broker.control.close()
        await asyncio.sleep(2.0)
        assert process.poll() is None, "nobody is there, but it records"
        later = await ControlClient.connect(number, token)
        await later.end_recording()
        await later.close()
        assert await asyncio.to_thread(process.wait, PATIENCE_SECONDS) == 0
        await broker.leave()

    asyncio.run(run())


def test_what_cannot_start_says_why(tmp_path: Path) -> None:
    async def start(port: str) -> None:
        async with BrokerProcess(BrokerPlan(port, tmp_path)):
            raise AssertionError("started")

    with pytest.raises(PublishError, match="no serial port") as refused:
        asyncio.run(start(str(tmp_path / "no-such-port")))
    assert "Traceback" not in str(refused.value)
