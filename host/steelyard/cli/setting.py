"""``steelyard setting``."""

from __future__ import annotations

import click
from steelyard_protocol.codec import plain_text
from steelyard_protocol.messages import NO_CHANNEL
from steelyard_protocol.records import Setting, SettingKey

from steelyard.cli.boxes import chosen_port
from steelyard.cli.options import port_option
from steelyard.device import Box

_TEXT_SETTINGS = (SettingKey.BOX_NAME, SettingKey.SENSOR_SERIAL)
_NAMES = [key.name.lower() for key in SettingKey]


@click.command()
@click.argument("name", type=click.Choice(_NAMES))
@click.argument("value", required=False)
@port_option
@click.option(
    "--channel",
    type=click.IntRange(0, 7),
    help="The channel it belongs to; without it, the box itself.",
)
def setting(name: str, value: str | None, port: str | None, channel: int | None) -> None:
    """Read a setting of a box, or change it when a VALUE is given.

    A changed setting is kept in the box and survives a power cut.
    """
    key = SettingKey[name.upper()]
    number = NO_CHANNEL if channel is None else channel
    with Box.open(chosen_port(port)) as box:
        if value is None:
            answer = box.read_setting(key, number)
        elif key in _TEXT_SETTINGS:
            answer = box.write_setting(key, number, text=_label(value))
        else:
            answer = box.write_setting(key, number, number=_whole(value))
    click.echo(_words(key, answer))


def _label(value: str) -> str:
    if not value.isascii() or len(value) > 16:
        raise click.BadParameter(
            f"{value!r} has {len(value)} characters; at most 16 plain ASCII ones fit"
        )
    return value


def _whole(value: str) -> int:
    try:
        number = int(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is not a whole number") from None
    if not -(2**31) <= number < 2**31:
        raise click.BadParameter(f"{value} does not fit 32 bits")
    return number


def _words(key: SettingKey, answer: Setting) -> str:
    value = plain_text(answer.text) if key in _TEXT_SETTINGS else str(answer.number)
    where = "" if answer.channel == NO_CHANNEL else f" of channel {answer.channel}"
    return f"{key.name.lower()}{where} = {value}"
