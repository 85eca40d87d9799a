"""The list of the spot book, with what the area says of each place, and the words about a spot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import numpy as np
import shapely
import typer

from layers._errors import Finding, InputError
from layers.model import Show
from layers.positions import looks_like_position, parse_position
from layers.tables import read_toml
from layers.units import format_quantity, parse_quantity
from spotmap.clock import day_of
from spotmap.progress import progress

if TYPE_CHECKING:
    from layers.spotbook import Spot

MOST_TOLD = 12
"""So many findings are told one by one."""
_MOST_FACTS = 200

AreaArgument = Annotated[Path, typer.Argument(help="The folder that holds area.toml.")]


def spots(  # noqa: PLR0913 -- the options of a command
    area: AreaArgument,
    *,
    kind: Annotated[str | None, typer.Option("--kind", help="Only spots of this kind.")] = None,
    near: Annotated[str | None, typer.Option("--near", help="Only spots near this position, spot or mark.")] = None,
    within: Annotated[str, typer.Option("--within", help="How near.")] = "1 NM",
    facts: Annotated[
        bool, typer.Option("--facts", help="What the area says of each: depth, rules, run, current.")
    ] = False,
    on: Annotated[str | None, typer.Option("--on", help="Facts: the day, as 2026-08-14; today if not given.")] = None,
    trip: Annotated[Path | None, typer.Option("--trip", help="Facts: whose hours, home, boat and limits.")] = None,
    species: Annotated[str, typer.Option("--species", help="Facts, without a trip: for what.")] = "chinook",
    method: Annotated[str, typer.Option("--method", help="Facts, without a trip: how.")] = "troll",
) -> None:
    """List the spots of an area's book: id, name, kind, position, day, who told of it, and whether it is private.

    With --facts, also what the area's data says of each place on a day.
    """
    from layers.spotbook import BOOK, Spot, read_book  # noqa: PLC0415 - no other command needs the book

    if not facts and (on, trip) != (None, None):
        raise InputError.one("--on, --trip", "only facts ask for a day or a trip.", "Add --facts.")
    reach_m = parse_quantity(within, "length", "--within", minimum=0.0)
    book = read_book(area)
    chosen = [one for one in book.spots if kind is None or one.kind.casefold() == kind.strip().casefold()]
    metres: dict[str, float] = {}
    if near is not None:
        from layers.spots import metres_between  # noqa: PLC0415 - as above

        lon, lat = _place(area, book.spots, near)
        centre = Spot("", near, "", "", private=False, told_by="", dated=None, lon=lon, lat=lat)
        metres = {one.identity: metres_between(centre, one) for one in chosen}
        chosen = sorted(
            (one for one in chosen if metres[one.identity] <= reach_m), key=lambda one: metres[one.identity]
        )
    tell_findings(book.findings)
    if not book.spots:
        typer.echo(f'The spot book of {area} is empty. Add to it: spotmap spot add {area} "NAME" "POSITION"')
        return
    unit = area_show(area).distance
    rows = [("id", "name", "kind", "position", "dated", "told by", "")]
    for one in chosen:
        ends = [format_quantity(metres[one.identity], unit)] if metres else []
        ends += ["private"] if one.private else []
        dated = one.dated.isoformat() if one.dated else "-"
        rows.append((one.identity, one.name, one.kind, one.position, dated, one.told_by or "-", ", ".join(ends)))
    if facts:
        day = day_of(on, "--on")
        told = _facts(area, chosen, _Asked(day, trip, species, method))
    else:
        told = [()] * len(chosen)
    widths = [max(len(shown(row[i])) for row in rows) for i in range(len(rows[0]))]
    for row, lines in zip(rows, [(), *told], strict=True) if chosen else ():
        cells = (shown(cell).ljust(width) for cell, width in zip(row, widths, strict=True))
        typer.echo("  ".join(cells).rstrip())
        for line in lines:
            typer.echo(f"    {shown(line)}")
    typer.echo(f"{len(chosen)} of {count_words(len(book.spots))} in {area / BOOK}")


@dataclass(frozen=True)
class _Asked:
    """What facts are asked for."""

    on: date | None
    trip: Path | None
    species: str
    method: str


def _facts(area: Path, chosen: Sequence[Spot], asked: _Asked) -> list[tuple[str, ...]]:
    """Return what the area says of each spot, in lines; of one without a position, nothing."""
    from layers.area import open_area  # noqa: PLC0415 - a bare list need not open the area
    from spotmap.factwords import fact_words  # noqa: PLC0415 - as above
    from spotmap.spotfacts import facts_of, visit_of, visit_on  # noqa: PLC0415 - as above
    from spotmap.trip import read_trip  # noqa: PLC0415 - as above

    placed = [one for one in chosen if one.placed]
    if len(placed) > _MOST_FACTS:
        found = f"{len(placed):,} spots are chosen, and facts are told of {_MOST_FACTS} at most."
        raise InputError.one("--facts", found, "Choose fewer with --near, --within or --kind.")
    with progress() as say:
        say("reading the area")
        opened = open_area(area)
        if asked.trip is None:
            day = asked.on or datetime.now(opened.timezone).date()
            visit = visit_on(opened, day, species=asked.species, method=asked.method)
        else:
            visit = visit_of(read_trip(asked.trip, opened, on=asked.on))
        say("working out the facts")
        lon, lat = [one.lon for one in placed], [one.lat for one in placed]
        x, y = opened.projection.to_local(np.array(lon), np.array(lat))
        told = facts_of(opened, list(shapely.points(x, y)), visit)
    words = {one.identity: fact_words(facts, opened) for one, facts in zip(placed, told, strict=True)}
    return [words.get(one.identity, ()) for one in chosen]


def area_show(area: Path) -> Show:
    """Return the units to read in, without opening the area."""
    told = read_toml(area / "area.toml").get("show")
    unit = told.get("distance") if isinstance(told, dict) else None
    return Show("m", unit if unit in ("NM", "m", "km", "ft") else "NM", "kn")


def spot_line(one: Spot) -> str:
    """Return a spot in a line of words."""
    parts = [f"{one.name} ({one.kind})", one.position, one.dated.isoformat() if one.dated else "", one.note]
    parts += [f"told by {one.told_by}" if one.told_by else "", "private" if one.private else ""]
    return shown(f"{one.identity} " + ", ".join(part for part in parts if part))


def count_words(count: int) -> str:
    """Return how many spots there are, in words."""
    return "1 spot" if count == 1 else f"{count:,} spots"


def shown(text: str) -> str:
    """Return a text that is safe on a terminal, whatever a GIS wrote."""
    return "".join(one if one.isprintable() else " " for one in text)


def tell_findings(findings: Sequence[Finding]) -> None:
    """Say what is doubtful, of much the first."""
    for one in findings[:MOST_TOLD]:
        typer.echo(f"note: {shown(str(one))}")
    if len(findings) > MOST_TOLD:
        typer.echo(f"note: and {len(findings) - MOST_TOLD} more")


def _place(area: Path, book: Sequence[Spot], near: str) -> tuple[float, float]:
    """Return the longitude and latitude of a position, of a spot of the book, or of another mark of the area."""
    from layers.area import open_area  # noqa: PLC0415 - as above
    from layers.spotbook import spot_named  # noqa: PLC0415 - as above

    if looks_like_position(near):
        return parse_position(near, "--near")
    try:
        one = spot_named(book, near)
    except InputError as error:
        if any(near.casefold() == other.name.casefold() for other in book):
            raise
        opened = open_area(area)
        points = [mark.point for mark in opened.marks if mark.name.casefold() == near.casefold()]
        if len(points) != 1:
            raise error from None
        lon, lat = opened.projection.to_geographic([points[0].x], [points[0].y])
        return float(lon[0]), float(lat[0])
    return one.lon, one.lat
