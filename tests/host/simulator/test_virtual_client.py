"""The client who does as told: orders in the program, from a file, wrong ones, and a stop."""

from __future__ import annotations

from pathlib import Path

import pytest
from steelyard.errors import SimulatorOptionError, SteelyardError
from steelyard.simulator.options import parse_options
from steelyard.simulator.virtual_client import VirtualClient
from steelyard.simulator.world import World


def world(options: str = "heron?task=guided&seed=3") -> World:
    return World(parse_options(options).world)


def client_of(gym: World) -> VirtualClient:
    assert gym.virtual_client is not None
    return gym.virtual_client


def wait(gym: World, until_seconds: float) -> None:
    gym.bridge_ratio(0, round(until_seconds * 1e6))


def labels(gym: World) -> list[str]:
    return [one.segment.label for one in gym.log if one.segment.label != "waiting for an order"]


def test_nothing_happens_without_an_order() -> None:
    gym = world()
    wait(gym, 20.0)
    assert labels(gym) == []
    assert abs(gym.truth.arm_degrees - 30.0) < 0.1


def test_orders_are_done_in_turn() -> None:
    gym = world()
    client_of(gym).do("move 52", "push 0.9 5")
    wait(gym, 3.0)
    assert not client_of(gym).idle
    wait(gym, 7.0)
    assert abs(gym.truth.arm_degrees - 52.0) < 1.0
    assert gym.truth.muscle_nm > 100.0
    wait(gym, 12.0)
    assert labels(gym) == ["to 52", "effort"]
    assert client_of(gym).done_total == 2


def test_a_set_with_one_rushed_and_one_slipping_repetition() -> None:
    gym = world()
    client_of(gym).do("set 4 2=rushed 4=slipping")
    wait(gym, 45.0)
    ways = [one.segment for one in gym.log if "concentric" in one.segment.label]
    assert [round(one.seconds, 1) < 1.0 for one in ways] == [False, True, False, False]
    assert [one.slip_degrees for one in ways] == [0.0, 0.0, 0.0, 2.5]


def test_crank_plates_and_manner_change_at_run_time() -> None:
    gym = world()
    turns, flexed = gym.machine.counterweight_turns, gym.client.truth.strength_nm[0]
    client_of(gym).do("crank -3", "stack 20", "behave weak", "crank -100")
    wait(gym, 10.0)
    assert gym.machine.stack_kg == 20.0
    assert gym.client.truth.manner.name == "weak"
    assert gym.client.truth.strength_nm[0] == pytest.approx(0.45 * flexed)
    assert turns > 3.0
    assert gym.machine.counterweight_turns == 0.0
    client_of(gym).do("behave steady")
    wait(gym, 11.0)
    assert gym.client.truth.strength_nm[0] == pytest.approx(flexed)


def test_stop_ends_an_effort_within_a_second_and_a_half_and_forgets_the_rest() -> None:
    gym = world()
    client_of(gym).do("move 52", "push 1 30", "sweep")
    wait(gym, 9.0)
    pushing = gym.truth.muscle_nm
    client_of(gym).do("stop")
    wait(gym, 10.5)
    assert pushing > 100.0
    assert abs(gym.truth.muscle_nm) < 0.1 * pushing
    wait(gym, 20.0)
    assert labels(gym)[-1] == "stopped"
    client_of(gym).do("move 10")
    wait(gym, 26.0)
    assert abs(gym.truth.arm_degrees - 10.0) < 1.0


def test_stop_in_a_set_sets_the_stack_down() -> None:
    gym = world()
    client_of(gym).do("set 8")
    wait(gym, 8.5)
    assert gym.truth.link_nm > 30.0
    client_of(gym).do("stop")
    wait(gym, 14.0)
    assert gym.truth.link_nm == pytest.approx(0.0, abs=3.0)


@pytest.mark.parametrize(
    "order",
    ["", "jump", "move", "move far", "move nan", "push 5", "push 0.5 0.1 9", "set 0", "set x",
     "set 3 2=angry", "set 3 rushed", "behave", "behave angry", "crank", "stack -5", "stop now"],
)  # fmt: skip
def test_what_means_nothing_is_refused(order: str) -> None:
    with pytest.raises(SimulatorOptionError, match="does not understand"):
        client_of(world()).do(order)


def test_orders_come_from_a_file_that_grows(tmp_path: Path) -> None:
    file = tmp_path / "orders.txt"
    gym = world(f"wren?task=guided&script={file}")
    wait(gym, 1.0)  # the file is not there yet
    file.write_text("move 20\nnonsense\n\npu", encoding="utf-8")
    wait(gym, 7.0)
    assert labels(gym) == ["to 20"]
    with file.open("a", encoding="utf-8") as more:
        more.write("sh\n")
    wait(gym, 9.0)
    assert labels(gym) == ["to 20", "effort"]
    with file.open("a", encoding="utf-8") as more:
        more.write("stop\n")
    wait(gym, 10.0)
    assert labels(gym) == ["to 20", "effort", "stopped"]
    assert client_of(gym).refused == ["nonsense"]


def test_a_file_that_is_begun_anew_is_read_from_its_start(tmp_path: Path) -> None:
    file = tmp_path / "orders.txt"
    gym = world(f"wren?task=guided&script={file}")
    file.write_text("relax 1\nrelax 1\nmove 20\n", encoding="utf-8")
    wait(gym, 8.0)
    file.write_text("", encoding="utf-8")  # whoever orders was started again
    wait(gym, 9.0)
    file.write_text("push\n", encoding="utf-8")
    wait(gym, 11.0)
    assert labels(gym) == ["relaxed", "relaxed", "to 20", "effort"]


def test_other_tasks_take_no_orders_and_a_script_needs_a_name() -> None:
    assert world("heron?task=session").virtual_client is None
    with pytest.raises(SimulatorOptionError, match="names no file"):
        parse_options("heron?task=guided&script=")


def test_the_same_orders_give_the_same_world() -> None:
    first, second = world(), world()
    for gym in (first, second):
        client_of(gym).do("sweep", "push", "set 2")
    assert [first.bridge_ratio(0, at * 50_000) for at in range(1200)] == [
        second.bridge_ratio(0, at * 50_000) for at in range(1200)
    ]


def test_the_technician_hangs_weights_and_the_client_comes_back() -> None:
    gym = world()
    client_of(gym).do("hang 20")
    wait(gym, 12.0)
    assert client_of(gym).at_bench
    assert abs(gym.truth.cell_newtons - gym.weights.still_newtons(20.0)) < 0.05
    client_of(gym).do("hang 20 0.6")
    wait(gym, 24.0)
    share = 0.6 / gym.machine.truth.cell_arm_m
    assert abs(gym.truth.cell_newtons - share * gym.weights.still_newtons(20.0)) < 0.05
    client_of(gym).do("hang 0")
    wait(gym, 36.0)
    assert abs(gym.truth.cell_newtons) < 0.05
    client_of(gym).do("hang 5", "relax 1")
    wait(gym, 40.0)
    assert not client_of(gym).at_bench
    assert gym.weights.mass_kg == 0.0
    assert gym.truth.cell_newtons == pytest.approx(gym.truth.link_nm / gym.machine.truth.cell_arm_m)


def test_a_stop_leaves_weights_hanging() -> None:
    gym = world()
    client_of(gym).do("hang 20")
    wait(gym, 12.0)
    client_of(gym).do("stop")
    wait(gym, 16.0)
    assert abs(gym.truth.cell_newtons - gym.weights.still_newtons(20.0)) < 0.05


@pytest.mark.parametrize("order", ["hang", "hang -1", "hang 20 0", "hang 20 1 70", "hang 1 1 1 1"])
def test_loads_that_cannot_hang_are_refused(order: str) -> None:
    with pytest.raises(SteelyardError):
        client_of(world()).do(order)
