"""What can be asked of a virtual box: the text after ``sim:``, understood or refused.

``heron?client=steady&task=session&seed=1&speed=max&faults=unplug@30+5,torn@60``

=========  ==========================================================
machine    heron (back), wren (neck)
client     steady, rushed, short, slipping, weak, stops, throwing, dropping,
           uneven, controlled, partial, pausing, abrupt, fickle
task       session, rest, weights, angles, balancing, sets, response, guided
script     file whose lines are orders to the client of task guided
           (virtual_client.py says which)
seed       whole number; another seed is another client and other cells
speed      1 (real time), a factor (if this computer keeps up), or max (as fast as it is read)
faults     see faults.py
masses     kg, by commas: the schedule of task weights
angles     degrees, by commas: the schedule of task angles, nobody in the seat
dwell      s that each mass hangs, or that the arm stands at each angle
gravity    m/s^2, the true local one
rate       80 or 10: the amplifiers' RATE pin
drift      ppm by which the box's clock runs fast
ticks      the tick counter at power-up, to see it wrap soon
flash      folder that holds the box's flash, so that it outlives the program
=========  ==========================================================
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from ..errors import SimulatorOptionError
from .client_model import MANNERS, Manner
from .faults import Fault, parse_faults
from .machine_model import HERON, MACHINES, ROLLER_TRACK_DEGREES, MachineTruth
from .tasks import TASKS

START_UNIX_SECONDS: Final = 1_750_000_000.0


@dataclass(frozen=True)
class WorldOptions:
    """The world around a box.  Equal options give equal worlds, to the last bit.

    ``masses_kg`` is the schedule of task ``weights`` and ``angles_degrees`` that of
    tasks ``angles`` and ``roller``, each for ``dwell_seconds``; ``gravity_m_s2`` is the true local
    one.  ``script_path``: where the client of task ``guided`` finds orders, besides
    those given in the program.
    """

    machine: MachineTruth = HERON
    manner: Manner = MANNERS["steady"]
    task: str = "session"
    seed: int = 1
    masses_kg: tuple[float, ...] = ()
    angles_degrees: tuple[float, ...] = ()
    dwell_seconds: float = 12.0
    gravity_m_s2: float = 9.81
    script_path: Path | None = None


@dataclass(frozen=True)
class BoxOptions:
    """A virtual box and how time passes for it.

    ``speed`` is virtual seconds per second; infinite: as fast as it is read.
    ``clock_ppm`` is by how much the box's clock runs fast.  ``ticks_offset_us``
    is the tick counter at power-up.  ``start_unix_seconds`` is the host's wall
    clock at virtual time zero when ``speed`` is infinite.
    """

    world: WorldOptions = field(default_factory=WorldOptions)
    speed: float = 1.0
    rate_sps: int = 80
    clock_ppm: float = 0.0
    ticks_offset_us: int = 0
    start_unix_seconds: float = START_UNIX_SECONDS
    faults: tuple[Fault, ...] = ()
    flash: Path | None = None

    @property
    def virtual_time(self) -> bool:
        """Whether time passes only while the port is being read."""
        return math.isinf(self.speed)


def parse_options(text: str) -> BoxOptions:
    """Understand ``machine?name=value&...``.

    Raises SimulatorOptionError naming what is wrong and what there is.
    """
    machine, _, query = text.partition("?")
    world = WorldOptions(machine=MACHINES[_one_of("machine", machine or HERON.name, MACHINES)])
    options = BoxOptions(world=world)
    for pair in filter(None, query.split("&")):
        name, equals, value = pair.partition("=")
        reader = _READERS.get(name)
        if reader is None or not equals:
            raise SimulatorOptionError(
                f"The virtual box has no option '{pair}'.",
                f"Write name=value joined by '&'; names are: {', '.join(_READERS)}.",
            )
        options = reader(options, value)
    _require_reach(options.world)
    return options


def _require_reach(world: WorldOptions) -> None:
    """Scheduled angles lie between the stops, or on the track of the roller's potentiometer."""
    low, high = (
        (0.0, ROLLER_TRACK_DEGREES) if world.task == "roller" else world.machine.travel_degrees
    )
    for angle in world.angles_degrees:
        _number("angles", f"{angle:g}", low, high)


def _one_of(name: str, value: str, known: Iterable[str]) -> str:
    if value not in known:
        raise SimulatorOptionError(
            f"There is no {name} '{value}' in the simulator.", f"Take one of: {', '.join(known)}."
        )
    return value


def _number(name: str, value: str, low: float, high: float) -> float:
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not low <= number <= high:
        raise SimulatorOptionError(
            f"Option {name}={value} of the virtual box is not a number from {low:g} to {high:g}.",
            "Correct it, or leave it out for the usual value.",
        )
    return number


def _read_client(options: BoxOptions, value: str) -> BoxOptions:
    manner = MANNERS[_one_of("client", value, MANNERS)]
    return replace(options, world=replace(options.world, manner=manner))


def _read_task(options: BoxOptions, value: str) -> BoxOptions:
    return replace(options, world=replace(options.world, task=_one_of("task", value, TASKS)))


def _read_seed(options: BoxOptions, value: str) -> BoxOptions:
    seed = int(_number("seed", value, 0, 2**53))
    return replace(options, world=replace(options.world, seed=seed))


def _read_masses(options: BoxOptions, value: str) -> BoxOptions:
    masses_kg = tuple(_number("masses", mass, 0.0, 500.0) for mass in value.split(","))
    return replace(options, world=replace(options.world, masses_kg=masses_kg))


def _read_angles(options: BoxOptions, value: str) -> BoxOptions:
    angles_degrees = tuple(_number("angles", angle, -360.0, 360.0) for angle in value.split(","))
    return replace(options, world=replace(options.world, angles_degrees=angles_degrees))


def _read_travel(options: BoxOptions, value: str) -> BoxOptions:
    """Stops set elsewhere: LOW:HIGH in degrees."""
    low, colon, high = value.partition(":")
    if not colon:
        raise SimulatorOptionError(
            f"Option travel={value} of the virtual box names no two stops.",
            "Write it like travel=-90:90, in degrees.",
        )
    stops = _number("travel", low, -180.0, 180.0), _number("travel", high, -180.0, 180.0)
    if stops[0] >= stops[1]:
        raise SimulatorOptionError(
            f"Option travel={value} of the virtual box has its stops the wrong way round.",
            "The lower comes first.",
        )
    machine = replace(options.world.machine, travel_degrees=stops)
    return replace(options, world=replace(options.world, machine=machine))


def _read_dwell(options: BoxOptions, value: str) -> BoxOptions:
    dwell_seconds = _number("dwell", value, 0.1, 3600.0)
    return replace(options, world=replace(options.world, dwell_seconds=dwell_seconds))


def _read_gravity(options: BoxOptions, value: str) -> BoxOptions:
    gravity_m_s2 = _number("gravity", value, 9.7, 9.9)
    return replace(options, world=replace(options.world, gravity_m_s2=gravity_m_s2))


def _read_script(options: BoxOptions, value: str) -> BoxOptions:
    if not value:
        raise SimulatorOptionError(
            "Option script of the virtual box names no file.", "Write script=FILE."
        )
    return replace(options, world=replace(options.world, script_path=Path(value)))


def _read_speed(options: BoxOptions, value: str) -> BoxOptions:
    return replace(
        options, speed=math.inf if value == "max" else _number("speed", value, 0.01, 100.0)
    )


def _read_rate(options: BoxOptions, value: str) -> BoxOptions:
    return replace(options, rate_sps=int(_one_of("rate", value, ("10", "80"))))


def _read_drift(options: BoxOptions, value: str) -> BoxOptions:
    return replace(options, clock_ppm=_number("drift", value, -1000.0, 1000.0))


def _read_ticks(options: BoxOptions, value: str) -> BoxOptions:
    return replace(options, ticks_offset_us=int(_number("ticks", value, 0, 2**30 - 1)))


def _read_flash(options: BoxOptions, value: str) -> BoxOptions:
    return replace(options, flash=Path(value))


def _read_faults(options: BoxOptions, value: str) -> BoxOptions:
    return replace(options, faults=parse_faults(value))


_READERS: Final[dict[str, Callable[[BoxOptions, str], BoxOptions]]] = {
    "client": _read_client,
    "task": _read_task,
    "seed": _read_seed,
    "speed": _read_speed,
    "faults": _read_faults,
    "masses": _read_masses,
    "angles": _read_angles,
    "travel": _read_travel,
    "dwell": _read_dwell,
    "gravity": _read_gravity,
    "rate": _read_rate,
    "drift": _read_drift,
    "ticks": _read_ticks,
    "script": _read_script,
    "flash": _read_flash,
}
