"""``steelyard screen``."""

from __future__ import annotations

import asyncio
from pathlib import Path

import click

from steelyard.cli.boxes import chosen_port
from steelyard.cli.options import calibrations_option, port_option
from steelyard.cli.rehearsal import MANNERS, VirtualMachine
from steelyard.errors import MissingExtraError
from steelyard.strength.profile_file import load_profile

SCREEN_PORT = 5390


@click.command()
@port_option
@click.option(
    "--machine",
    "-m",
    default="heron",
    show_default=True,
    metavar="NAME|FILE",
    help="Profile of the machine: heron, wren or a file.",
)
@calibrations_option
@click.option(
    "--rehearse",
    type=click.Choice(MANNERS),
    help="No box: a virtual machine, in real time, with a virtual client of this manner.",
)
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("steelyard-screens"),
    show_default=True,
    help="Where paired screens and recordings are kept.",
)
@click.option("--number", type=click.IntRange(0, 65535), default=SCREEN_PORT, show_default=True)
@click.option("--lan", is_flag=True, help="Let other computers of the network in, each paired.")
@click.option(
    "--name", "names", multiple=True, metavar="HOST", help="A name that this server goes by."
)
@click.option("--https", is_flag=True, help="Browsers come by HTTPS, through a proxy of yours.")
@click.option("--pair-here", is_flag=True, help="Ask browsers on this computer for a code as well.")
@click.option("--browser/--no-browser", default=True, help="Open the pages in a browser.")
def screen(
    port: str | None,
    machine: str,
    calibration_paths: tuple[Path, ...],
    rehearse: str | None,
    folder: Path,
    number: int,
    lan: bool,
    names: tuple[str, ...],
    https: bool,
    pair_here: bool,
    browser: bool,
) -> None:
    """Open the screens: the client's display and the operator's pages, until Ctrl-C.

    Only browsers on this computer reach them, unless --lan is given; then every browser is
    paired with a code first. On the network nothing is encrypted unless a proxy of yours does
    it. To learn without a machine: steelyard screen --rehearse steady
    """
    try:
        from steelyard.screen.opening import Opening, Source, open_screens
    except ImportError as error:
        raise MissingExtraError(
            "The library NiceGUI is not installed, so there are no screens.",
            "pip install 'steelyard[screen]'",
        ) from error
    if rehearse:
        virtual = VirtualMachine(machine.casefold(), rehearse)
        click.echo("calibrating the virtual machine ...", err=True)
        calibration = virtual.calibrated(folder / "rehearsal")
        script = virtual.fresh_script(folder / "rehearsal")
        kept = calibration.parent  # each virtual load cell has a history of its own
        source = Source(virtual.guided_port(script), (calibration,), rehearse, script, kept)
    else:
        source = Source(chosen_port(port), calibration_paths)
    opening = Opening(
        load_profile(machine),
        source,
        folder,
        number,
        lan=lan,
        names=names,
        trust_this_computer=not pair_here,
        encrypted=https,
        browser=browser,
    )
    asyncio.run(open_screens(opening, click.echo))
