"""The parts of the box and where each of their terminals goes: one list for table and picture."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from steelyard.wiring.board_facts import ON_BOARD, PHYSICAL_PINS, AnglePlace, BoardFacts


class Rail(Enum):
    """A supply or ground pin of the board, by the names in its print."""

    V33 = "3V3"
    GROUND = "GND"
    REFERENCE = "ADC_VREF"
    ANALOGUE_GROUND = "AGND"


RAIL_PINS: Final = {
    Rail.V33: (36,),
    Rail.GROUND: (3, 8, 13, 18, 23, 28, 38),
    Rail.REFERENCE: (35,),
    Rail.ANALOGUE_GROUND: (33,),
}
"""Numbers along the edge of a 40-pin RP2040 board (as in ``board_facts.PHYSICAL_PINS``)."""


@dataclass(frozen=True)
class Terminal:
    """One terminal of a part.  ``to``: a GP number or a rail; ``by``: what lies between."""

    label: str
    to: int | Rail
    by: str = ""

    @property
    def board_words(self) -> str:
        """Where it goes, as the table says it."""
        if isinstance(self.to, Rail):
            pins = RAIL_PINS[self.to]
            return f"{self.to.value} (pin {pins[0]})" if len(pins) == 1 else "GND (any)"
        if self.to in ON_BOARD:
            return f"GP{self.to} ({ON_BOARD[self.to]})"
        return f"GP{self.to} (pin {PHYSICAL_PINS[self.to]})"


@dataclass(frozen=True)
class Part:
    """One part to wire.

    ``sensor``: terminals that go on to a bridge; ``note``: a few words for the picture;
    ``remark``: sentences for the table.
    """

    title: str
    subtitle: str
    terminals: tuple[Terminal, ...]
    note: str = ""
    remark: str = ""
    sensor: tuple[str, ...] = ()

    @property
    def first_pin(self) -> int:
        """Place along the board's edge of its first signal."""
        return min(PHYSICAL_PINS[pin] for pin in self.signal_pins)

    @property
    def signal_pins(self) -> tuple[int, ...]:
        """GP numbers that it uses and the board brings out."""
        return tuple(
            item.to
            for item in self.terminals
            if isinstance(item.to, int) and item.to in PHYSICAL_PINS
        )


def wiring_parts(facts: BoardFacts) -> tuple[Part, ...]:
    """Everything that is wired to the board."""
    parts = [
        *(_amplifier(number, pins, facts) for number, pins in enumerate(facts.load_pins, 1)),
        *(_angle_parts(place, facts)[place.sensor] for place in facts.angles),
        Part(
            "Operator's button",
            "push button, normally open",
            (Terminal("one", facts.button_pin), Terminal("other", Rail.GROUND)),
        ),
        Part(
            "Service switch",
            "closed: stay at the prompt",
            (Terminal("one", facts.service_pin), Terminal("other", Rail.GROUND)),
        ),
        Part(
            "Buzzer",
            "active, 3.3 V, behind a transistor",
            (
                Terminal("base", facts.buzzer_pin, "1 kΩ"),
                Terminal("buzzer +", Rail.V33),
                Terminal("emitter", Rail.GROUND),
            ),
            "base: 1 kΩ; collector to buzzer -",
            "Base, emitter and collector are those of a small NPN transistor; its collector goes to"
            " the buzzer's minus, and to no pin. A pin gives at most 12 mA (RP2040 data sheet);"
            " some buzzers take more. Across the buzzer a small diode, its band to 3V3: a buzzer"
            " with a coil kicks back when it is switched off (common practice, no source).",
        ),
    ]
    for other in facts.others:
        terminals = tuple(Terminal(f"line {n}", pin) for n, pin in enumerate(other.pins, 1))
        parts.append(Part(other.words.capitalize(), other.comment, terminals))
    return tuple(parts)


_SUPPLY_REMARK: Final = (
    "VCC means every supply terminal of the module. Only if it has its own terminal for the"
    " digital side (VDD): that one to 3V3, and the analogue one may go to VBUS (pin 40, 5 V)."
    " DOUT must never exceed 3.3 V. 100 nF and 10 µF across the supply of each module, close to it"
    " (common practice, no source). B+ and B- to GND where the module has terminals for them: a"
    " disturbed clock line reads that input once, and it must then give nothing."
)


def _amplifier(number: int, pins: tuple[int, int], facts: BoardFacts) -> Part:
    level = "RATE high" if facts.load_rate_hz > 10 else "RATE low"
    purpose = ("measures", "restraint")[min(number, 2) - 1]
    return Part(
        f"Amplifier {number}: {purpose}",
        f"HX711 module, {level}",
        (
            Terminal("DOUT", pins[0]),
            Terminal("SCK", pins[1], "100 to 330 Ω at the board, if the module stands apart"),
            Terminal("VCC", Rail.V33),
            Terminal("GND", Rail.GROUND),
        ),
        "DOUT must never exceed 3.3 V",
        _SUPPLY_REMARK if number == 1 else "",
        ("E+", "A+", "E-", "A-"),
    )


def alternatives(place: AnglePlace, facts: BoardFacts) -> tuple[Part, ...]:
    """What may stand there instead of the sensor that the board is set to."""
    parts = _angle_parts(place, facts)
    return tuple(part for name, part in parts.items() if name != place.sensor)


def _angle_parts(place: AnglePlace, facts: BoardFacts) -> dict[str, Part]:
    """Every sensor that may stand there, by its name in board.py."""
    pins, title = place.pins, place.name.capitalize()
    sda, scl = pins["as5600"]
    return {
        "potentiometer": Part(
            f"{title} potentiometer",
            "10 kΩ linear, single turn",
            (
                Terminal("one end", Rail.REFERENCE, "100 Ω"),
                Terminal("wiper", pins["potentiometer"][0]),
                Terminal("other end", Rail.ANALOGUE_GROUND, "100 Ω"),
            ),
            "wiper to AGND: 100 kΩ and 100 nF",
            "From wiper to AGND at the box: 100 kΩ (a broken wire then reads zero) and 100 nF. The"
            " 100 Ω keep a sound one off both ends of the range, so the box can tell.",
        ),
        "quadrature": Part(
            f"{title} encoder",
            "quadrature, outputs of 3.3 V",
            (
                *(
                    Terminal(name, pin)
                    for name, pin in zip(("A", "B", "index"), pins["quadrature"], strict=False)
                ),
                Terminal("VCC", Rail.V33),
                Terminal("GND", Rail.GROUND),
            ),
            "open collector: 2.2 kΩ each to 3V3",
            "Open-collector outputs need 2.2 kΩ each to 3V3 (common practice, no source). Outputs"
            " of 5 V or more: level shifter or optocoupler, never directly. The index line, where"
            " there is one: to GP8 or any other free pin, which `ENCODER_INDEX_PIN` must name;"
            " without it the angle starts anew with the box ([MOUNTING.md](MOUNTING.md#encoder)).",
        ),
        "as5600": _magnetic(f"{title} angle sensor", sda, scl, facts),
    }


def _magnetic(title: str, sda_pin: int, scl_pin: int, facts: BoardFacts) -> Part:
    return Part(
        title,
        "AS5600 module, I2C address 0x36",
        (
            Terminal("SDA", sda_pin),
            Terminal("SCL", scl_pin),
            Terminal("VCC", Rail.V33),
            Terminal("GND", Rail.GROUND),
            Terminal("DIR", Rail.GROUND),
        ),
        "4.7 kΩ from SDA and SCL to 3V3",
        "4.7 kΩ pull-ups from SDA and SCL to 3V3, if the module has none; cable at most 0.5 m"
        f" at {facts.i2c_frequency_hz // 1000} kHz, and 100 nF across its supply (common practice,"
        " no source). DIR must not"
        " float: to GND, clockwise counts up (data sheet).",
    )
