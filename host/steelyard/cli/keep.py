"""``steelyard keep``."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click
from steelyard_protocol.messages import NO_CHANNEL
from steelyard_protocol.records import DocumentKind, StoredDocument

from steelyard.calibration.calibration_file import (
    AnyCalibration,
    load_any_calibration,
    parse_calibration,
    save_calibration,
)
from steelyard.cli.boxes import binding_of, chosen_port
from steelyard.cli.options import json_option, port_option
from steelyard.cli.words import name_of, write_json
from steelyard.device import Box
from steelyard.device.documents import erase_document, store_document, stored_document
from steelyard.errors import CalibrationError, WrongBoxError


@click.group(invoke_without_command=True)
@port_option
@json_option
@click.pass_context
def keep(context: click.Context, port: str | None, as_json: bool) -> None:
    """Keep calibrations in the box itself: list them, put one in, take them out.

    So the box carries them to another computer. Each channel has room for one.
    """
    context.obj = port
    if context.invoked_subcommand is None:
        with _resting_box(port) as box:
            listed = [_plain(box, *item) for item in _kept(box)]
        if as_json:
            write_json({"box_id": box.description.box_id_text, "kept": listed})
            return
        for item in listed:
            click.echo(_words(item))
        if not listed:
            click.echo("the box keeps nothing")


@keep.command()
@click.argument("calibrations", type=click.Path(path_type=Path), nargs=-1, required=True)
@click.pass_obj
def put(port: str | None, calibrations: tuple[Path, ...]) -> None:
    """Put stored calibrations into the box, each for its own channel.

    One that was edited, or that belongs to another box or sensor, is refused
    before anything is written.
    """
    with _resting_box(port) as box:
        checked = [(path, _for_this_box(box, load_any_calibration(path))) for path in calibrations]
        for path, calibration in checked:
            channel = calibration.binding.channel
            text = calibration.to_json().encode("ascii")
            stored = store_document(box, channel, DocumentKind.CALIBRATION, text)
            click.echo(f"channel {channel} keeps {path.name}: {stored.length} bytes")


@keep.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.pass_obj
def take(port: str | None, folder: Path) -> None:
    """Copy what the box keeps into a folder; it stays in the box as well.

    Every calibration is checked: not a byte changed, and made for this box
    and sensor. Others stay where they are, and the exit code is 1.
    """
    refused: list[CalibrationError] = []
    taken = 0
    with _resting_box(port) as box:
        for stored, text in _kept(box):
            if stored.kind != DocumentKind.CALIBRATION:
                continue
            try:
                calibration = _for_this_box(box, _calibration(stored, text))
            except CalibrationError as error:
                refused.append(error)
                continue
            click.echo(f"channel {stored.channel}: {save_calibration(calibration, folder)}")
            taken += 1
    if refused:
        raise refused[0]
    if not taken:
        click.echo("the box keeps no calibration")


@keep.command()
@click.option("--channel", type=click.IntRange(0, 7), required=True, help="Whose text to forget.")
@click.pass_obj
def forget(port: str | None, channel: int) -> None:
    """Have the box forget what it keeps for a channel."""
    with _resting_box(port) as box:
        erase_document(box, channel)
    click.echo(f"channel {channel} keeps nothing")


@contextmanager
def _resting_box(port: str | None) -> Iterator[Box]:
    """A box that does not stream: its flash is not touched while it does."""
    with Box.open(chosen_port(port)) as box:
        box.stop_stream()
        yield box


def _kept(box: Box) -> Iterator[tuple[StoredDocument, bytes]]:
    for channel in (*range(len(box.channels)), NO_CHANNEL):
        found = stored_document(box, channel)
        if found is not None:
            yield found


def _calibration(stored: StoredDocument, text: bytes) -> AnyCalibration:
    return parse_calibration(
        text.decode("ascii", "replace"), f"channel {stored.channel} of the box"
    )


def _for_this_box(box: Box, calibration: AnyCalibration) -> AnyCalibration:
    """The calibration, if it was made for this box and the sensor that is on it now."""
    channel = calibration.binding.channel
    if channel >= len(box.channels):
        raise WrongBoxError(
            f"The calibration is for channel {channel}; the box has {len(box.channels)}.",
            "Use the calibration of this box.",
        )
    calibration.binding.require(binding_of(box.description, box.channels[channel]))
    return calibration


def _plain(box: Box, stored: StoredDocument, text: bytes) -> dict[str, Any]:
    found: dict[str, Any] = {
        "channel": None if stored.channel == NO_CHANNEL else stored.channel,
        "kind": name_of(DocumentKind, stored.kind),
        "bytes": stored.length,
        "crc32": f"{stored.crc32:08x}",
    }
    if stored.kind == DocumentKind.CALIBRATION:
        try:
            calibration = _calibration(stored, text)
            found["calibration_id"] = calibration.calibration_id
            _for_this_box(box, calibration)
            found["problem"] = None
        except CalibrationError as error:
            found["problem"] = str(error)
    return found


def _words(item: dict[str, Any]) -> str:
    where = "box" if item["channel"] is None else f"channel {item['channel']}"
    named = f" {item['calibration_id'][:12]}" if "calibration_id" in item else ""
    problem = f"; NOT FOR USE: {item['problem']}" if item.get("problem") else ""
    return f"{where}: {item['kind']}{named}, {item['bytes']} bytes{problem}"
