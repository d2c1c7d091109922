"""Weights on the server, without a browser: who may begin, outages, what is in force."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest
from steelyard.calibration import (
    Binding,
    Conditions,
    Direction,
    Gravity,
    LoadPoint,
    Phase,
    calibrate_force,
    save_calibration,
)
from steelyard.calibration.check_log import latest_check
from steelyard.calibration.daily_check import BASE, CheckState
from steelyard.calibration.force_calibration import ForceCalibration
from steelyard.calibration.history import Act
from steelyard.calibration.quantity import quantity_of
from steelyard.errors import ActionRefusedError, CalibrationError, ControlError, WrongBoxError
from steelyard.screen.hanging.broken_off import KEPT_NAME
from steelyard.screen.hanging.in_force import InForce
from steelyard.screen.hanging.weight_desk import WeightDesk
from steelyard.screen.hanging.weight_orders import (
    CalibrationTyped,
    Purpose,
    WeightOrder,
    WeightsTyped,
    calibration_order,
    check_order,
)
from steelyard_protocol.records import LoadSample

BOX = "00000000000000a1"
COUNTS_PER_KG = 20_000.0
ZERO = 1_500.0
SAID: dict[str, Any] = {
    "box": {"box_id": BOX, "firmware_version": "0.2.0"},
    "channels": [{"channel": 0, "sensor_serial": "S-1", "gain": 128}],
}


def made(slope: float = COUNTS_PER_KG) -> ForceCalibration:
    def point(run: int, way: Direction, mass: float) -> LoadPoint:
        return LoadPoint(run, way, mass, ZERO + slope * mass, 5.0, 200)

    up = Direction.UP
    back = [(Direction.DOWN, mass) for mass in (20.0, 10.0, 0.0)]
    points = [
        point(run, *one)
        for run in (1, 2, 3)
        for one in (*((up, mass) for mass in (0.0, 10.0, 20.0, 40.0)), *back)
    ]
    conditions = Conditions(
        gravity=Gravity.entered(9.81, 1e-4), taken_at="2026-01-05T08:00:00Z", operator="AB"
    )
    return calibrate_force(points, conditions, Binding(BOX, 0, "S-1", 128, firmware="0.2.0"))


class Bench:
    """A weight desk with a box that says what a scale would, and a recorder that may refuse."""

    def __init__(self, folder: Path) -> None:
        self.busy = ""
        self.told: list[list[str]] = []
        self.gone = False
        self.ticks = 0
        self.in_force = InForce(folder, lambda: BOX)
        self.desk = WeightDesk(
            self.in_force, folder / "desk", 0, lambda: SAID, self.use, lambda: self.busy
        )

    async def use(self, texts: list[str]) -> None:
        if self.gone:
            raise ControlError("The broker is not running.", "Wait.")
        self.told.append(texts)

    def adopt(self, folder: Path) -> ForceCalibration:
        calibration = made()
        assert self.in_force.adopt([save_calibration(calibration, folder)]) == []
        return calibration

    def hold(self, mass_kg: float, seconds: float = 4.0) -> None:
        """Let a mass hang still so long, at 80 samples a second."""
        for number in range(round(80 * seconds)):
            self.ticks += 12_500
            counts = round(ZERO + COUNTS_PER_KG * mass_kg) + number % 3 - 1
            sample = LoadSample(0, 0, 0, 0, self.ticks % (1 << 30), counts, 0, 0)
            self.desk.feed([sample], 0.0)

    def read(self, mass_kg: float) -> None:
        self.desk.loaded()
        self.hold(mass_kg)

    async def settled(self) -> None:
        while self.desk.job is not None and self.desk.job.judging:
            await asyncio.sleep(0.01)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "register")


def ten_kilograms() -> WeightsTyped:
    return WeightsTyped("10", "M1")


def test_who_may_not_begin(bench: Bench, tmp_path: Path) -> None:
    order = check_order(ten_kilograms(), bench.adopt(tmp_path))
    with pytest.raises(ActionRefusedError, match="signed on"):
        bench.desk.begin(order, "")
    bench.busy = "A visit is going on."
    with pytest.raises(ActionRefusedError, match="visit"):
        bench.desk.begin(order, "AB")
    bench.busy = ""
    bench.desk.begin(order, "AB")
    with pytest.raises(ActionRefusedError, match="already"):
        bench.desk.begin(order, "AB")
    bench.busy = "STOP was pressed."
    with pytest.raises(ActionRefusedError, match="STOP"):
        bench.desk.loaded()


def test_nothing_is_checked_without_a_calibration(bench: Bench, tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match="in force"):
        bench.desk.begin(check_order(ten_kilograms(), made()), "AB")


@pytest.mark.parametrize("typed", ["", "ten", "10,20", "3", "10+"])
def test_weights_that_are_none(typed: str) -> None:
    with pytest.raises((CalibrationError, ActionRefusedError)):
        check_order(WeightsTyped(typed, "M1"), made())


def test_gravity_is_given_once() -> None:
    typed = CalibrationTyped(ten_kilograms(), gravity=9.81, latitude_degrees=52.0)
    with pytest.raises(ActionRefusedError, match="Both"):
        calibration_order(typed)


def test_an_outage_forgets_this_load_and_keeps_those_before(bench: Bench, tmp_path: Path) -> None:
    bench.desk.begin(check_order(ten_kilograms(), bench.adopt(tmp_path)), "AB")
    bench.read(0.0)
    job = bench.desk.job
    assert job is not None
    assert job.run.progress.steps_done == 1
    bench.desk.loaded()
    bench.hold(10.0, 2.0)
    bench.desk.lose_link("unplugged")
    assert job.outage == "unplugged"
    bench.hold(10.0, 2.0)
    assert job.outage == ""
    assert job.run.progress.phase is Phase.MEASURING
    bench.hold(10.0, 2.0)
    assert job.run.progress.steps_done == 2


def test_checks_make_a_chart_and_drift_is_seen(bench: Bench, tmp_path: Path) -> None:
    async def check(mass_kg: float) -> None:
        bench.desk.begin(check_order(ten_kilograms(), calibration), "AB")
        for hung in (0.0, mass_kg, 0.0):
            bench.read(hung)
        await bench.settled()
        assert bench.desk.job is not None
        assert bench.desk.job.refusal == ""
        bench.desk.give_up()

    async def days() -> None:
        for number in range(BASE):
            await check(10.0 + 1e-5 * (number % 3 - 1))
        found = bench.desk.last_check()
        assert found is not None
        assert found.state is CheckState.SOUND
        assert found.charts.individuals is not None
        await check(10.05)

    calibration = bench.adopt(tmp_path)
    asyncio.run(days())
    found = latest_check(bench.desk.history(), calibration)
    assert found is not None
    assert found.state is CheckState.OUT
    assert len(found.series) == BASE + 1
    assert found.charts.signals


def calibrate(bench: Bench, slope: float = 1.0) -> None:
    async def run() -> None:
        typed = CalibrationTyped(
            WeightsTyped("10,20,20+20", "M1"), runs=1, exercises=0, gravity=9.81
        )
        bench.desk.begin(calibration_order(typed), "AB")
        for mass in (0.0, 10.0, 20.0, 40.0, 20.0, 10.0, 0.0):
            bench.read(slope * mass)
        await bench.settled()

    asyncio.run(run())


def test_a_calibration_is_put_in_force_and_told(bench: Bench, tmp_path: Path) -> None:
    old = bench.adopt(tmp_path)
    calibrate(bench)
    job = bench.desk.job
    assert job is not None
    assert job.replaced is not None
    assert job.replaced.found is not None
    assert job.replaced.found.calibration_id == old.calibration_id
    assert job.kept is not None
    assert job.kept.exists()
    assert bench.told == [[job.replaced.calibration.to_json()]]
    acts = [entry.act for entry in bench.desk.history().entries]
    assert acts == [Act.IN_FORCE, Act.AS_FOUND, Act.IN_FORCE]
    again = Bench(bench.in_force.folder)  # the next run of the server
    assert again.in_force.adopt([save_calibration(old, tmp_path)]) == []
    assert again.desk.calibration() == job.replaced.calibration


def order(runs: int) -> WeightOrder:
    typed = CalibrationTyped(
        WeightsTyped("10,20,20+20", "M1", hanger_kg=0.5),
        runs=runs,
        exercises=1,
        gravity=9.81,
        arm_metres=0.4,
        note="a \u201cnote\u201d",
    )
    return calibration_order(typed)


ONE_RUN = (0.0, 10.5, 20.5, 40.5, 20.5, 10.5, 0.0)
EXERCISE = (40.5, 0.0)


def test_a_calibration_goes_on_after_the_server_was_stopped(tmp_path: Path) -> None:
    """Whole runs count on, the one that broke off is done again; the result is of all three."""
    bench = Bench(tmp_path)
    bench.desk.typed[Purpose.CALIBRATION] = {"loads": "10,20,20+20"}
    bench.desk.begin(order(3), "AB")
    for mass in (*EXERCISE, *ONE_RUN, *ONE_RUN[:3]):
        bench.read(mass)
    again = Bench(tmp_path)
    again.desk.take_up()
    assert again.desk.broken is not None
    assert again.desk.broken.order == order(3)
    assert "1 of 3 runs was read whole" in again.desk.broken.text()
    assert again.desk.typed[Purpose.CALIBRATION] == {"loads": "10,20,20+20"}
    assert not again.desk.going_on

    async def rest() -> None:
        with pytest.raises(ActionRefusedError, match="signed on"):
            again.desk.go_on("")
        again.desk.go_on("CD")
        with pytest.raises(ActionRefusedError, match="already"):
            again.desk.go_on("CD")
        for mass in (*EXERCISE, *ONE_RUN, *ONE_RUN):
            again.read(mass)
        await again.settled()

    asyncio.run(rest())
    job = again.desk.job
    assert job is not None
    assert job.refusal == ""
    assert job.replaced is not None
    force = quantity_of(job.replaced.calibration).force
    assert [point.run for point in force.points] == [run for run in (1, 2, 3) for _ in ONE_RUN]
    assert force.conditions.operator == "AB, CD"
    third = Bench(tmp_path)
    third.desk.take_up()
    assert third.desk.broken is None


def test_a_calibration_that_was_read_and_not_judged_is_judged(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    async def stopped() -> None:  # before the judging has begun
        bench.desk.begin(order(1), "AB")
        for mass in (*EXERCISE, *ONE_RUN):
            bench.read(mass)
        assert bench.desk._judging is not None
        bench.desk._judging.cancel()

    asyncio.run(stopped())
    again = Bench(tmp_path)
    again.desk.take_up()
    assert again.desk.broken is not None
    assert "All 1 runs" in again.desk.broken.text()

    async def judged() -> None:
        again.desk.go_on("AB")
        await again.settled()

    asyncio.run(judged())
    assert again.desk.job is not None
    assert again.desk.job.replaced is not None


def test_a_calibration_of_another_sensor_does_not_go_on(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.desk.begin(order(1), "AB")
    bench.read(40.5)
    again = Bench(tmp_path)
    other = {**SAID, "channels": [{"channel": 0, "sensor_serial": "S-2", "gain": 128}]}
    again.desk.metadata = lambda: other
    again.desk.take_up()
    assert again.desk.broken is not None
    assert "No run of 1 was read whole" in again.desk.broken.text()
    with pytest.raises(WrongBoxError, match="S-1"):
        again.desk.go_on("AB")
    assert again.desk.broken is not None
    again.desk.throw_away()
    third = Bench(tmp_path)
    third.desk.take_up()
    assert third.desk.broken is None


def test_what_is_given_up_or_new_or_only_a_check_is_not_offered_again(
    bench: Bench, tmp_path: Path
) -> None:
    bench.adopt(tmp_path)
    bench.desk.begin(order(1), "AB")
    bench.desk.give_up()
    again = Bench(bench.in_force.folder)
    again.desk.take_up()
    assert again.desk.broken is None
    again.desk.begin(check_order(ten_kilograms(), made()), "AB")
    again.read(0.0)
    assert not list(again.desk.folder.glob("*.json"))


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"order": 3}', b"\xff", b"[" * 99_999])
def test_a_damaged_file_is_said_and_the_next_calibration_takes_its_place(
    tmp_path: Path, content: bytes
) -> None:
    bench = Bench(tmp_path)
    bench.desk.folder.mkdir()
    (bench.desk.folder / KEPT_NAME).write_bytes(content)
    bench.desk.take_up()
    assert bench.desk.broken is None
    assert "Begin it anew" in bench.desk.trouble
    bench.desk.begin(order(1), "AB")
    assert bench.desk.trouble == ""
    again = Bench(tmp_path)
    again.desk.take_up()
    assert again.desk.broken is not None


def test_readings_that_cannot_be_kept_are_said_and_go_on(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.desk.folder.write_text("in the way")
    bench.desk.begin(order(1), "AB")
    bench.read(40.5)
    assert "lost if the server stops" in bench.desk.trouble
    assert bench.desk.job is not None
    assert bench.desk.job.run.progress.steps_done == 1


def test_a_refusal_leaves_the_old_one_in_force(bench: Bench, tmp_path: Path) -> None:
    old = bench.adopt(tmp_path)
    calibrate(bench, slope=0.4)  # as if the sensor were another
    job = bench.desk.job
    assert job is not None
    assert job.replaced is None
    assert f"{old.calibration_id[:12]} stays in force" in job.refusal
    assert bench.desk.calibration() == old
    assert bench.told == []
    with pytest.raises(ActionRefusedError, match="reason"):
        bench.desk.judge_again(" ")

    async def again() -> None:
        bench.desk.judge_again("the cell was exchanged")
        await bench.settled()

    asyncio.run(again())
    assert bench.desk.calibration() != old
    assert bench.desk.history().entries[-1].content["no_as_found"] == "the cell was exchanged"


def test_a_recorder_that_is_gone_can_be_told_later(bench: Bench) -> None:
    bench.gone = True
    calibrate(bench)
    assert "not taken" in bench.desk.untold
    bench.gone = False
    asyncio.run(bench.desk.tell())
    assert bench.desk.untold == ""
    assert len(bench.told) == 1


def test_a_calibration_that_is_given_does_not_push_aside_the_history(
    bench: Bench, tmp_path: Path
) -> None:
    bench.adopt(tmp_path)
    other = made(COUNTS_PER_KG * 1.0001)
    said = bench.in_force.adopt([save_calibration(other, tmp_path)])
    assert len(said) == 1
    assert "is not used" in said[0]
    assert bench.desk.calibration() != other
