"""How the command line writes things that several commands show."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import IntEnum, IntFlag
from typing import Any

import click
from steelyard_protocol.records import (
    AngleSample,
    ChannelDescription,
    ChannelKind,
    LoadSample,
    SampleFlags,
    SensorKind,
)

Progress = Callable[[int, int], None]


def write_json(data: object) -> None:
    """Write JSON to standard output."""
    click.echo(json.dumps(data, indent=2, default=str))


def name_of(names: type[IntEnum], value: int) -> str:
    """A value's name, or its number when this version has no name for it."""
    try:
        return names(value).name.lower()
    except ValueError:
        return str(value)


def flag_names(flags: int, names: type[IntFlag] = SampleFlags) -> list[str]:
    """Names of the bits that are set; bits without a name as hexadecimal."""
    known = [flag for flag in names if flags & flag]
    rest = flags & ~sum(known)
    named = [str(flag.name).lower() for flag in known]
    return named + ([f"0x{rest:04x}"] if rest else [])


def raw_counts(sample: LoadSample | AngleSample) -> int:
    """What the sample's own sensor gave."""
    return sample.load_counts if isinstance(sample, LoadSample) else sample.angle_counts


def channel_words(channel: ChannelDescription, serial: str) -> str:
    """One channel in a few words."""
    kind = name_of(ChannelKind, channel.kind).replace("_", " ")
    sensor = name_of(SensorKind, channel.sensor)
    gain = f", gain {channel.gain}" if channel.kind == ChannelKind.LOAD else ""
    return f"channel {channel.channel}: {kind} ({sensor}{gain}, sensor {serial or 'unnamed'})"


@contextmanager
def progress_bar(label: str, quiet: bool = False) -> Iterator[Progress]:
    """A bar for long work on standard error; nothing where nobody is looking."""
    if quiet or not sys.stderr.isatty():
        yield lambda done, total: None
        return
    with click.progressbar(length=1000, label=label, file=sys.stderr, width=40) as bar:
        shown = 0

        def advance(done: int, total: int) -> None:
            nonlocal shown
            now = 1000 if total <= 0 else min(1000, done * 1000 // total)
            if now > shown:
                bar.update(now - shown)
                shown = now

        yield advance


class StatusLine:
    """One line on standard error that is written over and over, on a terminal only."""

    def __init__(self) -> None:
        self._on_terminal = sys.stderr.isatty()
        self._width = 0
        self._shown = ""

    def show(self, text: str) -> None:
        """Replace the line."""
        if self._on_terminal and text != self._shown:
            sys.stderr.write("\r" + text.ljust(self._width))
            sys.stderr.flush()
            self._width, self._shown = len(text), text

    def clear(self) -> None:
        """Remove the line."""
        if self._on_terminal and self._width:
            sys.stderr.write("\r" + " " * self._width + "\r")
            sys.stderr.flush()
            self._width, self._shown = 0, ""


def as_plain(record: Any) -> dict[str, Any]:
    """A record's fields for JSON; fixed bytes as hexadecimal."""
    return {
        name: value.hex() if isinstance(value, bytes) else value
        for name, value in record._asdict().items()
    }
