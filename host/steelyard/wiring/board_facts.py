"""The pins and rates of the box, read from firmware/board.py without running it.

Why by syntax tree: the drawing must show what the firmware does, and nothing on the host
imports firmware.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from steelyard.errors import WiringError

BOARD_FILE: Final = Path("firmware") / "board.py"

Value = int | str | None | tuple["Value", ...]

PHYSICAL_PINS: Final = {
    0: 1, 1: 2, 2: 4, 3: 5, 4: 6, 5: 7, 6: 9, 7: 10, 8: 11, 9: 12, 10: 14, 11: 15, 12: 16,
    13: 17, 14: 19, 15: 20, 16: 21, 17: 22, 18: 24, 19: 25, 20: 26, 21: 27, 22: 29, 26: 31,
    27: 32, 28: 34,
}  # fmt: skip
"""GP number to the number printed along the edge of a 40-pin RP2040 board (pin-out page of
the board's data sheet, from memory; checked against its print before soldering)."""

ON_BOARD: Final = {25: "on the board itself"}

_DRAWN: Final = frozenset(
    {
        "LOAD_PINS",
        "I2C_SDA_PIN",
        "I2C_SCL_PIN",
        "ARM_PIN",
        "ROLLER_PIN",
        "ROLLER_SDA_PIN",
        "ROLLER_SCL_PIN",
        "ENCODER_A_PIN",
        "ENCODER_INDEX_PIN",
        "BUTTON_PIN",
        "SERVICE_PIN",
        "BUZZER_PIN",
    }
)

ANGLE_SENSORS: Final = {
    "potentiometer": ("wiper",),
    "quadrature": ("A", "B", "index"),
    "as5600": ("SDA", "SCL"),
}
"""What may stand at arm or rollers, and its lines; the index line may be missing."""


@dataclass(frozen=True)
class OtherPin:
    """A pin that the drawing has no picture for: its name, GP numbers and comment."""

    name: str
    pins: tuple[int, ...]
    comment: str

    @property
    def words(self) -> str:
        """The name as people say it."""
        return re.sub(r"_PINS?$", "", self.name).replace("_", " ").lower()


@dataclass(frozen=True)
class AnglePlace:
    """Where an angle is measured: ``setting`` in board.py names its sensor of `ANGLE_SENSORS`.

    ``pins`` has those of every sensor that may stand there, in the order of its lines.
    """

    name: str
    words: str
    setting: str
    sensor: str
    pins: dict[str, tuple[int, ...]]


@dataclass(frozen=True)
class BoardFacts:
    """What board.py says.  Pins are GP numbers; ``load_pins`` are (data, clock) pairs."""

    load_pins: tuple[tuple[int, int], ...]
    i2c_frequency_hz: int
    angles: tuple[AnglePlace, ...]
    button_pin: int
    service_pin: int
    buzzer_pin: int
    load_rate_hz: int
    others: tuple[OtherPin, ...]

    def pins(self) -> Iterator[tuple[int, str]]:
        """Each GP number in use, with what uses it."""
        for number, (data, clock) in enumerate(self.load_pins, 1):
            yield data, f"amplifier {number}, DOUT"
            yield clock, f"amplifier {number}, SCK"
        for place in self.angles:
            lines = ANGLE_SENSORS[place.sensor]
            for pin, name in zip(place.pins[place.sensor], lines, strict=False):
                yield pin, f"{place.name} angle, {name}"
        yield self.button_pin, "button"
        yield self.service_pin, "service switch"
        yield self.buzzer_pin, "buzzer"
        for other in self.others:
            for pin in other.pins:
                yield pin, other.words


def read_board_facts(root: Path) -> BoardFacts:
    """Read the board facts of the project in the folder ``root``.

    Raises:
        WiringError: board.py is missing, lacks a fact, or uses one pin twice.
    """
    path = root / BOARD_FILE
    try:
        source = path.read_text(encoding="utf-8")
        constants = _constants(ast.parse(source))
    except (OSError, SyntaxError) as error:
        raise WiringError(
            f"The board facts cannot be read from {path} ({error}).",
            "Run this in a whole copy of the project.",
        ) from error
    facts = _facts(constants, _comments(source))
    _check_pins(facts)
    return facts


def _constants(tree: ast.Module) -> dict[str, Value]:
    """Top-level names bound to numbers, texts, None or tuples of them."""
    found: dict[str, Value] = {}
    for node in tree.body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            try:
                value = ast.literal_eval(node.value)
            except ValueError:
                continue
            if value is None or isinstance(value, int | str | tuple):
                found[node.targets[0].id] = value
    return found


def _comments(source: str) -> dict[str, str]:
    """The comment behind each top-level assignment."""
    matches = re.finditer(r"^([A-Z0-9_]+) = [^#\n]*#\s*(.+)$", source, re.MULTILINE)
    return {match[1]: match[2].strip() for match in matches}


def _facts(constants: dict[str, Value], comments: dict[str, str]) -> BoardFacts:
    def number(name: str) -> int:
        value = constants.get(name)
        if not isinstance(value, int):
            raise WiringError(
                f"{BOARD_FILE} has no whole number {name}.", "Name the fact there as before."
            )
        return value

    def place(name: str, words: str, wiper: str, bus: str) -> AnglePlace:
        setting = f"{name.upper()}_SENSOR"
        sensor = constants.get(setting)
        if sensor not in ANGLE_SENSORS:
            raise WiringError(
                f"{BOARD_FILE} gives {setting} = {sensor!r}.",
                f"It is one of {', '.join(ANGLE_SENSORS)}.",
            )
        pins = {
            "potentiometer": (number(wiper),),
            "quadrature": encoder,
            "as5600": (number(f"{bus}_SDA_PIN"), number(f"{bus}_SCL_PIN")),
        }
        return AnglePlace(name, words, setting, str(sensor), pins)

    first, index = number("ENCODER_A_PIN"), constants.get("ENCODER_INDEX_PIN")
    encoder = (first, first + 1, *([index] if isinstance(index, int) else []))
    return BoardFacts(
        load_pins=_pairs(constants.get("LOAD_PINS")),
        i2c_frequency_hz=number("I2C_FREQUENCY_HZ"),
        angles=(
            place("arm", "arm", "ARM_PIN", "I2C"),
            place("roller", "rollers", "ROLLER_PIN", "ROLLER"),
        ),
        button_pin=number("BUTTON_PIN"),
        service_pin=number("SERVICE_PIN"),
        buzzer_pin=number("BUZZER_PIN"),
        load_rate_hz=number("LOAD_RATE_HZ"),
        others=tuple(
            OtherPin(name, tuple(_flat(value)), comments.get(name, ""))
            for name, value in constants.items()
            if re.search(r"_PINS?$", name) and name not in _DRAWN
        ),
    )


def _pairs(value: Value) -> tuple[tuple[int, int], ...]:
    flat = tuple(_flat(value))
    if not flat or len(flat) % 2:
        raise WiringError(
            f"{BOARD_FILE} gives LOAD_PINS = {value!r}.", "It is a tuple of (data, clock) pairs."
        )
    return tuple(zip(flat[::2], flat[1::2], strict=True))


def _flat(value: Value) -> Iterator[int]:
    if isinstance(value, int):
        yield value
    elif isinstance(value, tuple):
        for item in value:
            yield from _flat(item)


def _check_pins(facts: BoardFacts) -> None:
    users: dict[int, str] = {}
    for pin, user in facts.pins():
        if pin in users:
            raise WiringError(
                f"{BOARD_FILE} uses GP{pin} for both {users[pin]} and {user}.",
                "Give one of them another pin.",
            )
        if pin not in PHYSICAL_PINS and pin not in ON_BOARD:
            raise WiringError(
                f"{BOARD_FILE} uses GP{pin} for {user}, which the board does not bring out.",
                f"Take one of GP{min(PHYSICAL_PINS)} to GP{max(PHYSICAL_PINS)}.",
            )
        users[pin] = user
