"""``steelyard publish``."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from collections.abc import Callable
from pathlib import Path

import click

from steelyard.calibration import AnyCalibration
from steelyard.calibration.calibration_file import load_any_calibration
from steelyard.cli.boxes import chosen_port
from steelyard.cli.options import calibrations_option, port_option, seconds_option
from steelyard.device.discovery import parse_box_id
from steelyard.publish.acquisition import BoxSource
from steelyard.publish.addresses import (
    LOOPBACK,
    MqttAddress,
    checked_site,
    exposure_warning,
    parse_mqtt,
)
from steelyard.publish.broker import LINE_PORT, SOCKET_PORT, Broker, Servers
from steelyard.publish.hub import Consumer
from steelyard.publish.publish_errors import MissingExtraError

PASSWORD_VARIABLE = "STEELYARD_MQTT_PASSWORD"


def _door(context: click.Context, parameter: click.Parameter, text: str) -> int | None:
    if text == "off":
        return None
    if text.isascii() and text.isdigit() and int(text) < 1 << 16:
        return int(text)
    raise click.BadParameter("a port number from 0 (any free one) to 65535, or 'off'")


@click.command()
@port_option
@calibrations_option
@seconds_option
@click.option("--site", default="site", show_default=True, help="Name of this place, in topics.")
@click.option("--machine", default="", help="Machine, e.g. Heron.")
@click.option("--box", "box_id", metavar="ID", help="Accept only the box with this id.")
@click.option(
    "--lines",
    default=str(LINE_PORT),
    show_default=True,
    callback=_door,
    metavar="NUMBER",
    help="TCP port for JSON lines; 0: any free one; off: none.",
)
@click.option(
    "--websocket",
    default=str(SOCKET_PORT),
    show_default=True,
    callback=_door,
    metavar="NUMBER",
    help="TCP port for WebSocket (/json, /wire); 0: any free one; off: none.",
)
@click.option(
    "--bind",
    default=LOOPBACK,
    show_default=True,
    metavar="ADDRESS",
    help="Serve on another address than this computer's own. Anybody there can read.",
)
@click.option(
    "--origin",
    "origins",
    multiple=True,
    metavar="URL",
    help="A web site whose pages may open the WebSocket, e.g. https://view.saltmarsh.example",
)
@click.option("--mqtt", metavar="URL", help="Publish to mqtt://HOST:PORT or mqtts://HOST:PORT.")
@click.option(
    "--mqtt-user", default="", help=f"User there; the password comes from {PASSWORD_VARIABLE}."
)
@click.option("--lsl", is_flag=True, help="Publish to LSL on every network of this computer.")
def publish(
    port: str | None,
    calibration_paths: tuple[Path, ...],
    seconds: float | None,
    site: str,
    machine: str,
    box_id: str | None,
    lines: int | None,
    websocket: int | None,
    bind: str,
    origins: tuple[str, ...],
    mqtt: str | None,
    mqtt_user: str,
    lsl: bool,
) -> None:
    """Offer a box's stream to other programs, until Ctrl-C.

    Metadata come first, then samples, with calibrated values where a calibration is
    given. A consumer that is too slow misses the oldest and is told how many. The box
    is opened again by itself when it was unplugged; meanwhile the stream says NOT LIVE.
    """
    calibrations: tuple[AnyCalibration, ...] = tuple(
        load_any_calibration(path) for path in calibration_paths
    )
    source = BoxSource(
        chosen_port(port),
        calibrations,
        checked_site(site),
        machine,
        parse_box_id(box_id) if box_id else None,
    )
    makers: list[Callable[[bytes], Consumer]] = []
    if mqtt:
        makers.append(_mqtt(parse_mqtt(mqtt), source.site, mqtt_user))
    if lsl:
        makers.append(_lsl())
    warning = exposure_warning(bind)
    if warning:
        click.echo(f"warning: {warning}", err=True)
    asyncio.run(_serve(source, Servers(bind, lines, websocket, origins), makers, seconds))


async def _serve(
    source: BoxSource,
    servers: Servers,
    makers: list[Callable[[bytes], Consumer]],
    seconds: float | None,
) -> None:
    async with Broker(source, servers, makers) as broker:
        if broker.line_address:
            host, number = broker.line_address
            click.echo(f"JSON lines: {host}:{number}")
        if broker.socket_address:
            host, number = broker.socket_address
            click.echo(f"WebSocket:  ws://{host}:{number}/json and /wire")
        task = asyncio.ensure_future(broker.run(seconds))
        with contextlib.suppress(NotImplementedError):  # Windows has only Ctrl-C
            for stop in (signal.SIGINT, signal.SIGTERM):
                asyncio.get_running_loop().add_signal_handler(stop, task.cancel)
        with contextlib.suppress(asyncio.CancelledError):
            await task


def _mqtt(address: MqttAddress, site: str, user: str) -> Callable[[bytes], Consumer]:
    try:
        from steelyard.publish.mqtt import MqttAccount, MqttPublisher
    except ImportError as error:
        raise MissingExtraError(
            "The library paho-mqtt is not installed, so there is no MQTT.",
            "pip install 'steelyard[publish]'",
        ) from error
    account = MqttAccount(user, os.environ.get(PASSWORD_VARIABLE, ""))
    return lambda box_id: MqttPublisher(address, site, box_id.hex(), account)


def _lsl() -> Callable[[bytes], Consumer]:
    from steelyard.publish.lsl import WARNING, LslPublisher

    click.echo(f"warning: {WARNING}", err=True)
    return lambda _: LslPublisher()
