"""How many words the functions of a compiled firmware file need for their frames.

Format: MicroPython's documentation, "MicroPython .mpy files", version 6, and the
prelude of a bytecode function (py/bc.h).
"""

from __future__ import annotations

from dataclasses import dataclass

_HEADER_BYTES = 4
_BYTECODE, _KINDS, _HAS_CHILDREN = 0, 3, 4
_WORDS_A_HANDLER = 3
_GENERATOR = 1
_OBJECTS_WITHOUT_DATA = {1, 2, 3, 4}  # None, False, True, Ellipsis
_OBJECTS_WITH_A_ZERO = {5, 6}  # text and bytes


@dataclass(frozen=True)
class Frame:
    """`words`: variables, arguments, stack and exception handlers."""

    name: str
    words: int
    is_generator: bool


class _Reader:
    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = _HEADER_BYTES
        self._names: list[str] = []
        self.frames: list[Frame] = []

    def read(self) -> list[Frame]:
        name_count, object_count = self._unsigned(), self._unsigned()
        self._names = [self._name() for _ in range(name_count)]
        for _ in range(object_count):
            self._skip_object()
        self._code()
        return self.frames

    def _byte(self) -> int:
        self._at += 1
        return self._data[self._at - 1]

    def _unsigned(self) -> int:
        value = 0
        while True:
            byte = self._byte()
            value = value << 7 | byte & 0x7F
            if not byte & 0x80:
                return value

    def _name(self) -> str:
        length = self._unsigned()
        if length & 1:
            return f"static {length >> 1}"
        start = self._at
        self._at += (length >> 1) + 1
        return self._data[start : self._at - 1].decode()

    def _skip_object(self) -> None:
        kind = self._byte()
        if kind in _OBJECTS_WITHOUT_DATA:
            return
        length = self._unsigned()
        self._at += length + (kind in _OBJECTS_WITH_A_ZERO)

    def _code(self) -> None:
        head = self._unsigned()
        if head & _KINDS != _BYTECODE:
            raise ValueError("native code is not looked into")
        start = self._at
        words, is_generator = self._prelude()
        self.frames.append(Frame(self._names[self._unsigned()], words, is_generator))
        self._at = start + (head >> 3)
        if head & _HAS_CHILDREN:
            for _ in range(self._unsigned()):
                self._code()

    def _prelude(self) -> tuple[int, bool]:
        byte = self._byte()
        state, handlers, flags, more = byte >> 3 & 15, byte >> 2 & 1, 0, 0
        while byte & 0x80:
            byte = self._byte()
            state |= (byte & 0x30) << 2 * more
            handlers |= (byte & 2) << more
            flags |= (byte >> 6 & 1) << more
            more += 1
        while self._byte() & 0x80:
            pass  # sizes of what follows
        return state + 1 + _WORDS_A_HANDLER * handlers, bool(flags & _GENERATOR)


def frames(data: bytes) -> list[Frame]:
    """Every function of a .mpy file that is compiled to bytecode."""
    return _Reader(data).read()
