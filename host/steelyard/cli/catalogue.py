"""``steelyard catalogue``."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from steelyard.cli.options import json_option
from steelyard.cli.words import progress_bar, write_json
from steelyard.errors import MissingExtraError, SteelyardError

if TYPE_CHECKING:
    from steelyard.catalogue.catalogue import Catalogue

URL_VARIABLE = "STEELYARD_CATALOGUE"
Decorated = TypeVar("Decorated", bound=Callable[..., Any])

where_option = click.option(
    "--in",
    "where",
    envvar=URL_VARIABLE,
    default="catalogue.sqlite",
    show_default=True,
    metavar="FILE_OR_URL",
    help=f"SQLite file, or postgresql+psycopg://USER@HOST/DATABASE. Also: {URL_VARIABLE}.",
)
archive_option = click.option(
    "--archive",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Shared folder with copies of recordings and their columns as Parquet.",
)
day = click.DateTime(formats=["%Y-%m-%d"])


def _opened(where: str) -> Catalogue:
    try:
        from steelyard.catalogue.catalogue import Catalogue
    except ImportError as error:
        raise MissingExtraError(
            f"The catalogue needs a library that is not installed ({error.name}).",
            "pip install 'steelyard[catalogue]'",
        ) from error
    return Catalogue(where)


@click.group()
def catalogue() -> None:
    """Recordings and results of many boxes and sites, searchable.

    It can be made anew from the files at any time. Clients appear by code only.
    """


@catalogue.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path))
@where_option
@click.option("--site", required=True, help="Where they were made, e.g. saltmarsh-1.")
@archive_option
@json_option
def add(
    recordings: tuple[Path, ...], where: str, site: str, archive: Path | None, as_json: bool
) -> None:
    """Enter recordings, or whole folders of them; entering again changes nothing.

    Every file is validated first. With --archive each is copied there and its columns
    are written as Parquet. Exits with 1 when one could not be entered; the rest is.
    """
    from steelyard.publish.addresses import checked_site

    site = checked_site(site)
    with _opened(where) as opened:
        from steelyard.catalogue.catalogue import recording_paths

        counts = {"entered": 0, "known": 0}
        failures: list[str] = []
        paths = recording_paths(recordings)
        with progress_bar("entering", quiet=as_json) as progress:
            for number, path in enumerate(paths):
                try:
                    new = _enter(opened, path, site, archive)
                    counts["entered" if new else "known"] += 1
                except SteelyardError as error:
                    failures.append(str(error))
                if progress is not None:
                    progress(number + 1, len(paths))
    if as_json:
        write_json({**counts, "failures": failures})
    else:
        click.echo(f"{counts['entered']} entered, {counts['known']} were there already")
        for failure in failures:
            click.echo(f"not entered: {failure}", err=True)
    if failures:
        raise SystemExit(1)


def _enter(opened: Catalogue, path: Path, site: str, archive: Path | None) -> bool:
    from steelyard.catalogue.archive import keep_recording, write_columns
    from steelyard.catalogue.facts import read_facts

    facts = read_facts(path)
    kept = path.resolve()
    if archive is not None:
        kept = keep_recording(facts, site, archive).resolve()
        write_columns(facts, site, archive)
    return opened.add(facts, site, str(kept))


@catalogue.command("list")
@where_option
@click.option("--site", default="", help="Of this site.")
@click.option("--box", "box_id", default="", metavar="ID", help="Of this box.")
@click.option("--machine", default="", help="On this machine.")
@click.option("--client", "client_code", default="", help="Of this client, by code.")
@click.option("--verdict", default="", help="With this verdict: sound, damaged ...")
@click.option("--from", "first", type=day, help="From this day (UTC) on.")
@click.option("--to", "last", type=day, help="Up to and with this day (UTC).")
@json_option
def list_recordings(
    where: str, first: datetime | None, last: datetime | None, as_json: bool, **narrowing: str
) -> None:
    """List recordings, in order of time."""
    with _opened(where) as opened:
        from steelyard.catalogue.catalogue import Wanted

        wanted = Wanted(
            **narrowing,
            first_day=first.date() if first else None,
            last_day=last.date() if last else None,
        )
        rows = opened.recordings(wanted)
    if as_json:
        write_json(rows)
        return
    for row in rows:
        click.echo(
            f"{row['started']:%Y-%m-%d %H:%M} UTC  {row['site']}  {row['machine'] or '-'}  "
            f"{row['client_code'] or '-'}  {row['duration_seconds']:.0f} s  "
            f"{row['samples_total']} samples, {row['missing_total']} missing  "
            f"{row['verdict']}  {row['sha256'][:12]}"
        )
        for path in row["paths"]:
            click.echo(f"    {path}")
    if not rows:
        click.echo("no recording like that")


@catalogue.command("result")
@click.argument("recording", type=click.Path(path_type=Path))
@click.argument("content", type=click.Path(path_type=Path))
@where_option
@click.option("--analysis", required=True, help="What was done, e.g. analyse.")
def add_result(recording: Path, content: Path, where: str, analysis: str) -> None:
    """Enter what an analysis found (CONTENT, a JSON file) in a recording that was entered."""
    from steelyard.recording.append_file import storage_error

    with _opened(where) as opened:
        from steelyard.catalogue.facts import file_sha256
        from steelyard.errors import CatalogueError

        try:
            found = json.loads(content.read_text(encoding="utf-8"))
        except OSError as error:
            raise storage_error(content, "read", error) from error
        except ValueError as error:
            raise CatalogueError(f"{content} is not JSON: {error}.", "Give a result.") from error
        if not isinstance(found, dict):
            raise CatalogueError(f"{content} holds no JSON object.", "Give a result.")
        new = opened.add_result(file_sha256(recording), analysis, found)
    click.echo("entered" if new else "it was there already")


@catalogue.command()
@click.argument("sql")
@where_option
@archive_option
@json_option
def query(sql: str, where: str, archive: Path | None, as_json: bool) -> None:
    """Ask in SQL, by DuckDB, over the catalogue and the archive's columns.

    Tables: recording, result, box, calibration, place; with --archive also load, angle,
    status, events, whose column recording is the column short of table recording.
    """
    with _opened(where) as opened:
        from steelyard.catalogue.questions import Questions

        with Questions(opened, archive) as questions:
            names, rows = questions.ask(sql)
    if as_json:
        write_json([dict(zip(names, row, strict=True)) for row in rows])
        return
    click.echo("\t".join(names))
    for row in rows:
        click.echo("\t".join("" if value is None else str(value) for value in row))
