"""The wiring as a picture: the board in the middle, each part on the side of its pins.

Supplies and grounds are flags instead of lines, as on a circuit diagram; signal lines bend
once, in lanes that are given out so that no two lines cross.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from steelyard.wiring.board_facts import ON_BOARD, PHYSICAL_PINS, BoardFacts, read_board_facts
from steelyard.wiring.svg import document, path, rect, text
from steelyard.wiring.wiring_parts import RAIL_PINS, Part, Rail, Terminal, wiring_parts

WIDTH: Final = 1240
_TOP: Final = 96
_PIN_STEP: Final = 38
_BOARD_LEFT, _BOARD_RIGHT = 510, 730
_PART_WIDTH: Final = 210
_LEFT_PART, _RIGHT_PART = 130, WIDTH - 130 - _PART_WIDTH
_ROW: Final = 26
_HEAD: Final = 48
_GAP: Final = 34
_LANE: Final = 13
_CELL_CENTRE: Final = 56

_RAIL_COLOURS: Final = {
    Rail.V33: "#b3261e",
    Rail.GROUND: "#222222",
    Rail.REFERENCE: "#8a4b08",
    Rail.ANALOGUE_GROUND: "#4a4a4a",
}
_LINE_COLOURS: Final = ("#1f5fa8", "#0a7d4f", "#7a3b9a", "#a85f00", "#00707f", "#9a2f5f")


@dataclass(frozen=True)
class _Placed:
    """A part with its place; ``top`` in pixels, ``left`` says on which side it stands."""

    part: Part
    top: float
    left: bool

    @property
    def height(self) -> float:
        return _HEAD + _ROW * len(self.part.terminals)

    @property
    def x(self) -> float:
        return _LEFT_PART if self.left else _RIGHT_PART

    @property
    def edge(self) -> float:
        """The side that faces the board."""
        return self.x + _PART_WIDTH if self.left else self.x

    def row(self, index: int) -> float:
        return self.top + _HEAD + _ROW * (index + 0.5) - 6


@dataclass(frozen=True)
class _Line:
    """A signal line from a part's row to a pin of the board."""

    start_y: float
    end_y: float
    left: bool


def render_wiring_svg(root: Path) -> str:
    """The drawing for the project in ``root``, as the text of an SVG file.

    Raises:
        WiringError: the board facts cannot be read.
    """
    facts = read_board_facts(root)
    parts = [part for part in wiring_parts(facts) if part.signal_pins]
    placed = _place(parts)
    height = max(_TOP + 20 * _PIN_STEP + 60, *(item.top + item.height + 40 for item in placed))
    body = [
        text(WIDTH / 2, 34, "Steelyard box: wiring", size=24, anchor="middle", bold=True),
        text(
            WIDTH / 2,
            60,
            "Seen from above, USB socket at the top. Unplug before wiring. Flags of one colour"
            " belong together.",
            size=15,
            anchor="middle",
        ),
        *_board(facts),
        *(line for item in placed for line in _part(item)),
        *_lines(placed),
    ]
    return document(WIDTH, height, body)


# --- placing ----------------------------------------------------------------------------------


def _pin_place(physical: int) -> tuple[bool, float]:
    """Side (left or not) and height of a physical pin: 1 to 20 down the left, 21 up the right."""
    step = physical - 1 if physical <= 20 else 40 - physical
    return physical <= 20, _TOP + _PIN_STEP * (step + 0.75)


def _place(parts: list[Part]) -> list[_Placed]:
    """Stack the parts of each side in the order of their pins, as near to them as they go."""
    placed: list[_Placed] = []
    for left in (True, False):
        side = [part for part in parts if _pin_place(part.first_pin)[0] is left]
        side.sort(key=lambda part: _pin_place(part.first_pin)[1])
        bottom = float(_TOP) - 14
        for part in side:
            item = _Placed(_ordered(part), bottom, left)
            wish = _pin_place(part.first_pin)[1] - _HEAD - _ROW
            item = _Placed(item.part, max(bottom, min(wish, bottom + 60)), left)
            placed.append(item)
            bottom = item.top + item.height + _GAP
    return placed


def _ordered(part: Part) -> Part:
    """Signal terminals in the order of the board's pins, flags where they were."""
    signals = sorted(
        (item for item in part.terminals if isinstance(item.to, int)), key=_terminal_height
    )
    waiting = iter(signals)
    terminals = tuple(
        next(waiting) if isinstance(item.to, int) else item for item in part.terminals
    )
    return replace(part, terminals=terminals)


def _terminal_height(terminal: Terminal) -> float:
    if not isinstance(terminal.to, int):
        return 0.0
    return _pin_place(PHYSICAL_PINS[terminal.to])[1]


# --- drawing ------------------------------------------------------------------------------------


def _board(facts: BoardFacts) -> list[str]:
    used = {PHYSICAL_PINS[pin]: pin for pin, _ in facts.pins() if pin in PHYSICAL_PINS}
    rails = {pin: rail for rail, pins in RAIL_PINS.items() for pin in pins}
    height = 20 * _PIN_STEP + 24
    middle = (_BOARD_LEFT + _BOARD_RIGHT) / 2
    lines = [
        rect(_BOARD_LEFT, _TOP - 8, _BOARD_RIGHT - _BOARD_LEFT, height, "#eef6ee", "#2c5e2e"),
        rect(_BOARD_LEFT + 80, _TOP - 20, 60, 30, "#dddddd", "#555555"),
        text(middle, _TOP + 1, "USB", size=13, anchor="middle"),
        text(middle, _pin_place(1)[1] + 6, "RP2040 board", size=17, anchor="middle", bold=True),
    ]
    inside = [(pin, user) for pin, user in facts.pins() if pin in ON_BOARD]
    for number, (pin, user) in enumerate(inside):
        words = f"{user}: GP{pin}, on board"
        lines.append(text(middle, _pin_place(2 + number)[1], words, size=12, anchor="middle"))
    for physical in range(1, 41):
        lines += _pin(physical, used.get(physical), rails.get(physical))
    return lines


def _pin(physical: int, gp: int | None, rail: Rail | None) -> list[str]:
    left, y = _pin_place(physical)
    x = _BOARD_LEFT if left else _BOARD_RIGHT
    inward = 1 if left else -1
    colour = _RAIL_COLOURS[rail] if rail else ("#111111" if gp is not None else "#b5b5b5")
    lines = [
        f'<circle cx="{x}" cy="{y:g}" r="6" fill="{colour if gp is not None or rail else "white"}"'
        f' stroke="{colour}"/>'
    ]
    label = f"{physical}"
    if gp is not None:
        label = f"{physical}  GP{gp}" if left else f"GP{gp}  {physical}"
    elif rail is not None:
        label = f"{physical}  {rail.value}" if left else f"{rail.value}  {physical}"
    lines.append(
        text(
            x + 14 * inward,
            y + 5,
            label,
            size=14 if gp is not None or rail else 11,
            anchor="start" if left else "end",
            colour=colour if gp is not None or rail else "#8a8a8a",
            bold=gp is not None,
        )
    )
    return lines


def _part(item: _Placed) -> list[str]:
    part = item.part
    lines = [
        rect(item.x, item.top, _PART_WIDTH, item.height, "#f7f7fb", "#444466"),
        text(item.x + _PART_WIDTH / 2, item.top + 19, part.title, anchor="middle", bold=True),
        text(item.x + _PART_WIDTH / 2, item.top + 36, part.subtitle, size=11, anchor="middle"),
    ]
    for index, terminal in enumerate(part.terminals):
        y = item.row(index)
        label = terminal.label
        anchor, shift = ("end", -12) if item.left else ("start", 12)
        lines.append(text(item.edge + shift, y + 5, label, size=14, anchor=anchor))
        lines.append(f'<circle cx="{item.edge:g}" cy="{y:g}" r="4" fill="#444466"/>')
        if isinstance(terminal.to, Rail):
            lines += _flag(item.edge, y, terminal, item.left)
    if part.note:
        below = item.top + item.height + 15
        lines.append(text(item.x + _PART_WIDTH / 2, below, part.note, size=12, anchor="middle"))
    if part.sensor:
        lines += _cell(item)
    return lines


def _flag(x: float, y: float, terminal: Terminal, left: bool) -> list[str]:
    """A supply or ground: a short line and a coloured label, with the resistor on the way."""
    rail = terminal.to
    if not isinstance(rail, Rail):
        return []
    colour = _RAIL_COLOURS[rail]
    outward = 1 if left else -1
    lines: list[str] = []
    start = x
    if terminal.by:
        lines.append(path(f"M{x:g},{y:g} h{12 * outward}", colour))
        box = x + 12 * outward if left else x - 12 - 44
        lines.append(rect(box, y - 9, 44, 18, "white", colour))
        lines.append(text(box + 22, y + 4, terminal.by, size=11, anchor="middle"))
        start = x + 56 * outward
    width = 9 * len(rail.value) + 12
    end = start + 12 * outward
    lines.append(path(f"M{start:g},{y:g} H{end:g}", colour))
    box = end if left else end - width
    lines.append(rect(box, y - 10, width, 20, colour, colour))
    lines.append(
        text(
            box + width / 2,
            y + 5,
            rail.value,
            size=13,
            anchor="middle",
            colour="white",
            bold=True,
        )
    )
    return lines


def _cell(item: _Placed) -> list[str]:
    """A load cell as a diamond of four arms, its corners joined to the amplifier."""
    rows = [item.row(index) for index in range(len(item.part.sensor))]
    top, middle, bottom, around = rows
    outer = item.x if item.left else item.x + _PART_WIDTH
    x = _CELL_CENTRE if item.left else WIDTH - _CELL_CENTRE
    sign = 1 if item.left else -1
    half = middle - top
    lines = [
        f'<path d="M{x:g},{top:g} L{x + half:g},{middle:g} L{x:g},{bottom:g}'
        f' L{x - half:g},{middle:g} Z" fill="#fff8e6" stroke="#8a6d1a" stroke-width="2"/>',
        text(x, middle + 5, "cell", size=12, anchor="middle"),
        path(f"M{x:g},{top:g} H{outer:g}", "#b3261e"),
        path(f"M{x + half * sign:g},{middle:g} H{outer:g}", "#0a7d4f"),
        path(f"M{x:g},{bottom:g} H{outer:g}", "#222222"),
        # A- comes from the far corner, around below: so it crosses nothing.
        path(f"M{x - half * sign:g},{middle:g} h{-9 * sign} V{around:g} H{outer:g}", "#1f5fa8"),
    ]
    for name, y in zip(item.part.sensor, rows, strict=True):
        anchor, shift = ("start", 10) if item.left else ("end", -10)
        lines.append(text(outer + shift, y + 5, name, size=14, anchor=anchor))
        lines.append(f'<circle cx="{outer:g}" cy="{y:g}" r="4" fill="#444466"/>')
    return lines


def _lines(placed: list[_Placed]) -> list[str]:
    drawn = []
    for left in (True, False):
        lines = [
            _Line(item.row(index), _pin_place(PHYSICAL_PINS[terminal.to])[1], left)
            for item in placed
            if item.left is left
            for index, terminal in enumerate(item.part.terminals)
            if isinstance(terminal.to, int)
        ]
        edge = next((item.edge for item in placed if item.left is left), 0.0)
        for number, (line, lane) in enumerate(zip(lines, _lanes(lines), strict=True)):
            colour = _LINE_COLOURS[number % len(_LINE_COLOURS)]
            drawn.append(_signal(line, lane, edge, colour))
    return drawn


def _lanes(lines: list[_Line]) -> list[int]:
    """Lane of each line, counted from the board.

    Lines come in order from top to bottom on both ends.  Of lines that run down, the upper
    one must bend nearer to the board; of lines that run up, the lower one: then none cross.
    """
    down = [index for index, line in enumerate(lines) if line.end_y >= line.start_y]
    up = [index for index, line in enumerate(lines) if line.end_y < line.start_y]
    lanes = [0] * len(lines)
    for lane, index in enumerate(down):
        lanes[index] = lane
    for lane, index in enumerate(reversed(up)):
        lanes[index] = lane
    return lanes


def _signal(line: _Line, lane: int, edge: float, colour: str) -> str:
    board = _BOARD_LEFT if line.left else _BOARD_RIGHT
    bend = board - 22 - _LANE * lane if line.left else board + 22 + _LANE * lane
    end = board - 6 if line.left else board + 6
    return path(f"M{edge:g},{line.start_y:g} H{bend:g} V{line.end_y:g} H{end:g}", colour, width=2.5)
