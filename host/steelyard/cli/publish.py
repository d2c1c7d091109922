"""``steelyard publish``."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import click

from steelyard.calibration import AnyCalibration
from steelyard.calibration.calibration_file import load_any_calibration
from steelyard.cli.boxes import chosen_port
from steelyard.cli.options import (
    calibrations_option,
    json_option,
    port_option,
    seconds_option,
)
from steelyard.device.discovery import parse_box_id
from steelyard.errors import MissingExtraError
from steelyard.publish.acquisition import BoxSource
from steelyard.publish.addresses import (
    LOOPBACK,
    MqttAddress,
    checked_site,
    exposure_warning,
    parse_mqtt,
)
from steelyard.publish.broker import LINE_PORT, SOCKET_PORT, Broker, Servers
from steelyard.publish.control_requests import ControlRequests
from steelyard.publish.control_server import ControlServer, checked_token
from steelyard.publish.hub import Consumer
from steelyard.publish.joint import GivenProfile
from steelyard.publish.promptness import be_prompt
from steelyard.recording.append_file import storage_error

TOKEN_VARIABLE = "STEELYARD_CONTROL_TOKEN"
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
@click.option(
    "--profile",
    metavar="NAME_OR_FILE",
    help="The machine's profile (heron, wren, or a file): gives torque and joint angle.",
)
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
@click.option(
    "--recordings",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Record into this folder when told to through --control.",
)
@click.option(
    "--control",
    default="off",
    show_default=True,
    callback=_door,
    metavar="NUMBER",
    help=f"TCP port, on this computer only, for a program that knows {TOKEN_VARIABLE}.",
)
@click.option(
    "--unattended",
    type=click.FloatRange(min=0, min_open=True),
    metavar="S",
    help="End when nobody has held --control for so long and nothing is being recorded.",
)
@json_option
def publish(
    port: str | None,
    calibration_paths: tuple[Path, ...],
    seconds: float | None,
    site: str,
    machine: str,
    profile: str | None,
    box_id: str | None,
    lines: int | None,
    websocket: int | None,
    bind: str,
    origins: tuple[str, ...],
    mqtt: str | None,
    mqtt_user: str,
    lsl: bool,
    recordings: Path | None,
    control: int | None,
    unattended: float | None,
    as_json: bool,
) -> None:
    """Offer a box's stream to other programs, until Ctrl-C.

    Metadata come first, then samples, with calibrated values where a calibration is
    given. A consumer that is too slow misses the oldest and is told how many. The box
    is opened again by itself when it was unplugged; meanwhile the stream says NOT LIVE.

    One program holds a port, so this one also records: --recordings and --control let
    another program start and end recordings, which nothing that reads the stream can
    hold up or harm.
    """
    calibrations: tuple[AnyCalibration, ...] = tuple(
        load_any_calibration(path) for path in calibration_paths if not path.is_dir()
    )
    source = BoxSource(
        chosen_port(port),
        calibrations,
        tuple(path for path in calibration_paths if path.is_dir()),
        checked_site(site),
        machine,
        GivenProfile.load(profile) if profile else None,
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
    if recordings is not None:
        _make_folder(recordings)
    token = os.environ.get(TOKEN_VARIABLE, "")
    door = None if control is None else _Door(control, checked_token(token), unattended)

    async def serve() -> None:
        servers = Servers(bind, lines, websocket, origins)
        async with Broker(source, servers, makers, recordings) as broker:
            be_prompt()
            await _serve(broker, door, seconds, as_json)

    asyncio.run(serve())


@dataclass(frozen=True)
class _Door:
    """The control door: where, for whom, and how long it may stand open for nobody."""

    number: int
    token: str
    unattended_seconds: float | None


async def _serve(broker: Broker, door: _Door | None, seconds: float | None, as_json: bool) -> None:
    serving = asyncio.ensure_future(broker.run(seconds))
    with contextlib.suppress(NotImplementedError):  # Windows has only Ctrl-C
        for stop in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(stop, serving.cancel)
    async with contextlib.AsyncExitStack() as stack:
        control = await _open_control(door, broker, serving, stack)
        _say_addresses(broker, control, as_json)
        with contextlib.suppress(asyncio.CancelledError):
            await serving


async def _open_control(
    door: _Door | None,
    broker: Broker,
    serving: asyncio.Future[None],
    stack: contextlib.AsyncExitStack,
) -> ControlServer | None:
    if door is None:
        return None

    def stop() -> None:
        serving.cancel()

    requests = ControlRequests(broker, stop)
    control = ControlServer(door.token, requests.answer)
    await control.open(door.number)
    stack.push_async_callback(control.close)
    if door.unattended_seconds is not None:
        leaving = asyncio.ensure_future(
            control.until_left(door.unattended_seconds, lambda: requests.is_recording)
        )
        leaving.add_done_callback(lambda _: serving.cancel())
        stack.callback(leaving.cancel)
    return control


def _say_addresses(broker: Broker, control: ControlServer | None, as_json: bool) -> None:
    doors = {
        "lines": broker.line_address,
        "websocket": broker.socket_address,
        "control": control.address if control is not None else None,
    }
    if as_json:
        click.echo(json.dumps(doors))  # one line, at once: whoever started this waits for it
        sys.stdout.flush()
        return
    if broker.line_address:
        host, number = broker.line_address
        click.echo(f"JSON lines: {host}:{number}")
    if broker.socket_address:
        host, number = broker.socket_address
        click.echo(f"WebSocket:  ws://{host}:{number}/json and /wire")
    if control is not None and control.address:
        host, number = control.address
        click.echo(f"Control:    {host}:{number}")


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise storage_error(folder, "make the folder", error) from error


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
