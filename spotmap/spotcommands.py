"""The commands that change the spot book: add, change, remove, bring in, merge, undo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers._errors import Finding, InputError
from layers.positions import parse_position
from layers.units import format_quantity
from spotmap.clock import day_of
from spotmap.progress import progress
from spotmap.spotlist import MOST_TOLD, AreaArgument, area_show, count_words, spot_line, tell_findings

if TYPE_CHECKING:
    from layers.spotbook import Spot

_MOST_PAIRS = 20
_KIND = "spot"

spot_commands = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Change the area's spot book.")

SpotArgument = Annotated[str, typer.Argument(metavar="NAME-OR-ID", help="The spot's name or id; see: spotmap spots.")]
KindOption = Annotated[str | None, typer.Option("--kind", help="What it is: spot, bait, harbor, launch, …")]
NoteOption = Annotated[str | None, typer.Option("--note", help="What to remember about it.")]
ToldByOption = Annotated[str | None, typer.Option("--told-by", help="Who told of it.")]
DatedOption = Annotated[str | None, typer.Option("--on", help="The day it was noted, as 2026-08-14.")]
PrivateOption = Annotated[bool, typer.Option("--private", help="Never on a client's handout.")]
AnywayOption = Annotated[bool, typer.Option("--anyway", help="Keep it as written, whatever is doubtful about it.")]


@spot_commands.command(
    epilog='Example: spotmap spot add demo_area "North Hump" "46 47.5 N 156 52.0 W" --kind bait',
    context_settings={"ignore_unknown_options": True},  # a position in the south begins with a minus
)
def add(  # noqa: PLR0913 -- the options of a command
    area: AreaArgument,
    name: Annotated[str, typer.Argument(help="What it is called.")],
    position: Annotated[str, typer.Argument(help="Where it is, in any form: 48.1500, -122.6700 or 48 09.00 N …")],
    *,
    kind: KindOption = None,
    note: NoteOption = None,
    private: PrivateOption = False,
    told_by: ToldByOption = None,
    on: DatedOption = None,
    anyway: AnywayOption = False,
) -> None:
    """Add a spot to the book."""
    from layers.spotbook import Spot  # noqa: PLC0415 - as above

    lon, lat = parse_position(position, "POSITION")
    words = _words(name=name, kind=kind or _KIND, note=note or "", told_by=told_by or "")
    called, what, remark, source = (words.told[key] for key in ("name", "kind", "note", "told_by"))
    new = Spot("", called, what, remark, private, source, day_of(on, "--on") or _today(), lon, lat)
    _put_in(area, [new], words.findings, anyway=anyway)


@spot_commands.command(epilog='Example: spotmap spot change demo_area "North Hump" --note "best on the ebb"')
def change(  # noqa: PLR0913 -- the options of a command
    area: AreaArgument,
    spot: SpotArgument,
    *,
    name: Annotated[str | None, typer.Option("--name", help="Its new name.")] = None,
    position: Annotated[str | None, typer.Option("--position", help="Where it is.")] = None,
    kind: KindOption = None,
    note: NoteOption = None,
    private: Annotated[bool | None, typer.Option("--private/--public", help="On a client's handout or not.")] = None,
    told_by: ToldByOption = None,
    on: DatedOption = None,
    anyway: AnywayOption = False,
) -> None:
    """Change what the book says of a spot; what is not named stays."""
    from layers.spotbook import SpotChange, change_book, changed, read_book, spot_named  # noqa: PLC0415 - as above

    given = {"name": name, "kind": kind, "note": note, "told_by": told_by}
    words = _words(**{key: value for key, value in given.items() if value is not None})
    place = None if position is None else parse_position(position, "--position")
    what = SpotChange(private=private, dated=day_of(on, "--on"), position=place, **words.told)
    if what == SpotChange():
        raise InputError.one("spot change", "nothing is to change.", "Give --name, --position, --kind, --note, ….")
    before = spot_named(read_book(area).spots, spot)
    doubts = list(words.findings)
    if place is not None or name is not None:
        doubts += _places(area, [changed([before], before.identity, what)[0]], anyway=anyway)
    book = change_book(area, lambda now: changed(now, spot_named(now, before.identity).identity, what), today=_today())
    now = changed(book.spots, before.identity, what)
    (after,) = (one for one in now if one.identity == before.identity)
    tell_findings([*(doubts), *_doubles(now, [after])])
    typer.echo(f"was: {spot_line(before)}")
    typer.echo(f"now: {spot_line(after)}")
    _tell_undo(area)


@spot_commands.command(epilog='Example: spotmap spot remove demo_area "North Hump"')
def remove(area: AreaArgument, spot: SpotArgument) -> None:
    """Remove a spot from the book; the book as it was is kept."""
    from layers.spotbook import change_book, read_book, removed, spot_named  # noqa: PLC0415 - as above

    one = spot_named(read_book(area).spots, spot)
    change_book(area, lambda now: removed(now, spot_named(now, one.identity).identity), today=_today())
    typer.echo(f"removed: {spot_line(one)}")
    _tell_undo(area)


@spot_commands.command(epilog="Example: spotmap spot bring demo_area marks.gpx --told-by plotter --private")
def bring(  # noqa: PLR0913 -- the options of a command
    area: AreaArgument,
    file: Annotated[Path, typer.Argument(help="GPX, KML, CSV, text or GeoJSON points.")],
    *,
    kind: Annotated[str | None, typer.Option("--kind", help="Kind of all of them, in place of the file's.")] = None,
    private: Annotated[bool, typer.Option("--private", help="All of them are private.")] = False,
    told_by: Annotated[
        str | None, typer.Option("--told-by", help="Who told of them; the file's name if no one.")
    ] = None,
    on: Annotated[str | None, typer.Option("--on", help="The day they were noted; none if not given.")] = None,
    anyway: AnywayOption = False,
) -> None:
    """Bring the marks of a file into the book; one that it has already, with nothing new said, is left out."""
    from layers.spotfile import read_spot_file  # noqa: PLC0415 - as above

    told = read_spot_file(file)
    words = _words(told_by=told_by or file.name[:100], **({} if kind is None else {"kind": kind}))
    dated, source = day_of(on, "--on"), words.told["told_by"]
    new = [
        replace(
            one,
            kind=words.told.get("kind") or one.kind or _KIND,
            private=private or one.private,
            told_by=source if told_by else one.told_by or source,
            dated=dated or one.dated,
        )
        for one in told.spots
    ]
    _put_in(area, new, [*told.findings, *words.findings], anyway=anyway)


@spot_commands.command(epilog="Example: spotmap spot merge demo_area --keep 3fa2c1 --drop 9bd01e")
def merge(
    area: AreaArgument,
    *,
    keep: Annotated[str | None, typer.Option("--keep", help="Name or id of the one that stays.")] = None,
    drop: Annotated[str | None, typer.Option("--drop", help="Name or id of the one that goes into it.")] = None,
    anyway: AnywayOption = False,
) -> None:
    """Show spots that may be one place, or make two of them one: nothing is merged that is not named."""
    from layers.spotbook import change_book, merged, near_doubles, read_book, spot_named  # noqa: PLC0415 - as above
    from layers.spots import ALIKE_M, metres_between  # noqa: PLC0415 - as above

    book = read_book(area)
    if keep is None and drop is None:
        tell_findings(book.findings)
        pairs = near_doubles(book.spots)
        for one, other, apart in pairs[:_MOST_PAIRS]:
            typer.echo(f"{apart:.0f} m apart: {spot_line(one)}")
            typer.echo(f"{'':{len(f'{apart:.0f} m apart: ')}}{spot_line(other)}")
            typer.echo(f"    spotmap spot merge {area} --keep {one.identity} --drop {other.identity}")
        if len(pairs) > _MOST_PAIRS:
            typer.echo(f"and {len(pairs) - _MOST_PAIRS} more pairs")
        if not pairs:
            typer.echo("No two spots lie within 30 m of each other, nor two of one name within 200 m.")
        return
    if keep is None or drop is None:
        raise InputError.one("--keep, --drop", "only one of the two spots is named.", "Name both.")
    one, other = spot_named(book.spots, keep), spot_named(book.spots, drop)
    apart = metres_between(one, other)
    if not (apart <= ALIKE_M or anyway):
        far = format_quantity(apart, area_show(area).distance)
        found = f"'{one.name}' and '{other.name}' are {far} apart: hardly one place."
        raise InputError.one("--keep, --drop", found, "Check the ids, or add --anyway.")
    done = merged(book.spots, one.identity, other.identity)
    change_book(area, lambda now: merged(now, one.identity, other.identity), today=_today())
    typer.echo(f"one now: {spot_line(spot_named(done, one.identity))}")
    _tell_undo(area)


@spot_commands.command(epilog="Example: spotmap spot undo demo_area")
def undo(area: AreaArgument) -> None:
    """Take the book back to what it was before its last change; once more takes the change back in."""
    from layers.spotbook import OLDER, put_back  # noqa: PLC0415 - as above

    book = put_back(area, today=_today())
    typer.echo(f"{area}: the book before its last change is back, {count_words(len(book.spots))}.")
    typer.echo(f"What it was until now is {area / OLDER}; undo again brings that back.")


@dataclass
class _Words:
    """Texts as the book takes them, and what is to be told of them."""

    told: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)


def _words(**given: str) -> _Words:
    from layers.spots import plain_words  # noqa: PLC0415 - as above

    words = _Words()
    for key, text in given.items():
        words.told[key], found = plain_words(text, key, f"--{key.replace('_', '-')}")
        words.findings += found
    return words


def _put_in(area: Path, new: Sequence[Spot], doubts: Sequence[Finding], *, anyway: bool) -> None:
    from layers.spotbook import added, change_book, new_token  # noqa: PLC0415 - as above
    from layers.spots import not_in  # noqa: PLC0415 - as above

    found = [*doubts, *_places(area, new, anyway=anyway)]
    after: list[tuple[Spot, ...]] = []

    def put(now: tuple[Spot, ...]) -> tuple[Spot, ...]:
        fresh, there = not_in(now, new)
        if there:
            what = f"of {len(new)} are in the book already, to the metre, by name and with nothing new said"
            names = ", ".join(f"'{one.name}'" for one in there[:MOST_TOLD])
            found.append(Finding(names, f"{len(there)} {what}: left out.", "", "warning"))
        after.append(added(now, fresh, new_token) if fresh else now)
        return after[-1]

    book = change_book(area, put, today=_today())
    mine = after[-1][len(book.spots) :]
    tell_findings([*found, *book.findings, *_doubles(after[-1], mine)])
    for one in mine[:MOST_TOLD]:
        typer.echo(f"added: {spot_line(one)}")
    if len(mine) > MOST_TOLD:
        typer.echo(f"and {len(mine) - MOST_TOLD} more")
    typer.echo(f"{len(mine)} added; the book holds {count_words(len(after[-1]))}.")
    if book.spots and mine:
        _tell_undo(area)


def _places(area: Path, new: Sequence[Spot], *, anyway: bool) -> list[Finding]:
    """Return what is doubtful about where spots lie.

    Raises
    ------
    InputError
        Some would lie in the area if they were written the other way round, and that is not said to be meant.
    """
    from layers.area import open_area  # noqa: PLC0415 - listing need not open the area
    from layers.spotbook import BOOK  # noqa: PLC0415 - as above
    from layers.spotplaces import place_doubts  # noqa: PLC0415 - as above

    try:
        with progress() as say:
            say("reading the area")
            opened = open_area(area)
    except InputError as error:
        why = str(error.findings[0])
        return [Finding(str(area), "the area does not open, so where spots lie was not checked.", why, "warning")]
    doubts = place_doubts(opened, new)
    if doubts.mixed_up and not anyway:
        raise InputError(doubts.questions[:MOST_TOLD])
    names = {one.name.casefold() for one in new}
    others = [one for one in opened.marks if one.source.file != BOOK and one.name.casefold() in names]
    namesakes = [
        Finding(f"'{one.name}'", f"is a mark of {one.source.file} too.", "A trip that names it asks which.", "warning")
        for one in others
    ]
    return [*(replace(one, severity="warning", remedy="") for one in doubts.questions), *doubts.findings, *namesakes]


def _doubles(book: Sequence[Spot], mine: Sequence[Spot]) -> list[Finding]:
    """Return what of one's own spots another one may be, and names that are there more than once."""
    from layers.spots import near_doubles, shared_names  # noqa: PLC0415 - as above

    own = {one.identity for one in mine}
    pairs = [pair for pair in near_doubles(book) if own & {pair[0].identity, pair[1].identity}]
    names = {one.name.casefold() for one in mine}
    merge_words = "They stay two unless you merge them: spotmap spot merge AREA shows how."
    return [
        *(
            Finding(f"'{one.name}' and '{other.name}'", f"lie {apart:.0f} m apart: one place?", merge_words, "warning")
            for one, other, apart in pairs
        ),
        *(
            Finding(f"'{name}'", f"is the name of {count} spots.", "Say which by its id, or rename one.", "warning")
            for name, count in shared_names(book)
            if name.casefold() in names
        ),
    ]


def _tell_undo(area: Path) -> None:
    typer.echo(f"The book as it was is kept: spotmap spot undo {area}")


def _today() -> date:
    return datetime.now().astimezone().date()
