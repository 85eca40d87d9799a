"""The commands about an area's data: bring it in, say what is in doubt, pack it into one file and unpack it."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal, cast

import typer

from layers._errors import Finding, InputError
from layers.area import open_area
from layers.areachanges import NewArea
from layers.made import Made
from layers.model import Show
from layers.positions import parse_position
from layers.units import parse_quantity, parse_unit
from spotmap.doubts import Doubt, Weight, doubts
from spotmap.progress import progress

FilesArgument = Annotated[
    list[Path], typer.Argument(help="Chart cells (.000, a folder or a zip of them), surveys, regulations, marks, …")
]
IntoOption = Annotated[Path, typer.Option("--into", help="The area's folder; made if it is not there.")]
AreaArgument = Annotated[Path, typer.Argument(help="The folder that holds area.toml.")]
AsOption = Annotated[str | None, typer.Option("--as", help="What the files are: chart, survey, water, rules or marks.")]
NameOption = Annotated[str | None, typer.Option("--name", help="New area: its name.")]
ZoneOption = Annotated[str | None, typer.Option("--timezone", help="New area: IANA name, as America/Los_Angeles.")]
ShowOption = Annotated[str, typer.Option("--show", help='New area: units to read in, as "ft NM kn" or "m NM kn".')]
DatumOption = Annotated[str, typer.Option("--datum", help="What depth 0 is, where the data does not say, as MLLW.")]
ValuesOption = Annotated[str, typer.Option("--values", help="Survey: depth (positive down) or elevation.")]
UnitOption = Annotated[str, typer.Option("--unit", help="Survey: unit of the depths, m, ft or fm.")]
CrsOption = Annotated[str, typer.Option("--crs", help="Soundings as text: coordinate system; WGS 84 if not given.")]
AroundOption = Annotated[str | None, typer.Option("--around", help="Survey: cut out what lies round this position.")]
RadiusOption = Annotated[str, typer.Option("--radius", help="Survey: how far what is cut out reaches.")]
CellOption = Annotated[str | None, typer.Option("--cell", help="Soundings as text: side of a cell of the surface.")]
ReachOption = Annotated[
    str | None, typer.Option("--reach", help="Currents at stations: how far a station's word goes.")
]
GroundOption = Annotated[bool, typer.Option("--ground", help="Regulation: it opens water (closes, if not given).")]
EntryOption = Annotated[bool, typer.Option("--no-entry", help="Regulation: it forbids entry, not only fishing.")]
FromOption = Annotated[str, typer.Option("--from", help="Regulation: first day, MM-DD each year or YYYY-MM-DD.")]
UntilOption = Annotated[str, typer.Option("--until", help="Regulation: last day.")]
SpeciesOption = Annotated[str, typer.Option("--species", help="Regulation: species it speaks of; all if not given.")]
MethodsOption = Annotated[str, typer.Option("--methods", help="Regulation: methods it speaks of; all if not given.")]
RuleOption = Annotated[str, typer.Option("--rule", help="Regulation: its reference, where the text gives none.")]
TitleOption = Annotated[str, typer.Option("--title", help="Regulation: name of an area that the text gives none.")]
SourceOption = Annotated[str, typer.Option("--source", help="Who publishes the data, where it does not say.")]
AsOfOption = Annotated[str | None, typer.Option("--as-of", help="The day the data was true, where it does not say.")]
ClosedOption = Annotated[list[str] | None, typer.Option("--closed", help="Regulation: this open line is an area.")]
LeaveOption = Annotated[list[str] | None, typer.Option("--leave-out", help="Regulation: leave this area out.")]
AcceptOption = Annotated[list[str] | None, typer.Option("--accept", help="Regulation: the code of the preview.")]
PrivateOption = Annotated[bool, typer.Option("--private", help="Marks: never on a client's handout.")]
RefreshOption = Annotated[bool, typer.Option("--refresh", help="The files are newer ones of what the area has.")]
ForceOption = Annotated[bool, typer.Option("--force", help="Replace made files that were changed by hand.")]
DayOption = Annotated[str | None, typer.Option("--on", help="The day, as 2026-08-14; today if not given.")]


def bring_in(  # noqa: PLR0913 -- the options of a command
    files: FilesArgument,
    *,
    into: IntoOption,
    refresh: RefreshOption = False,
    kind: AsOption = None,
    name: NameOption = None,
    timezone: ZoneOption = None,
    show: ShowOption = "ft NM kn",
    datum: DatumOption = "",
    values: ValuesOption = "",
    unit: UnitOption = "",
    crs: CrsOption = "",
    around: AroundOption = None,
    radius: RadiusOption = "5 NM",
    cell: CellOption = None,
    reach: ReachOption = None,
    ground: GroundOption = False,
    no_entry: EntryOption = False,
    first: FromOption = "",
    last: UntilOption = "",
    species: SpeciesOption = "",
    methods: MethodsOption = "",
    rule: RuleOption = "",
    title: TitleOption = "",
    source: SourceOption = "",
    as_of: AsOfOption = None,
    closed: ClosedOption = None,
    leave_out: LeaveOption = None,
    accept: AcceptOption = None,
    private: PrivateOption = False,
    force: ForceOption = False,
) -> None:
    """Bring official charts, surveys, currents, water levels, regulations and marks into an area's folder.

    With --refresh what the area has is taken from newer files; your own layers, keys and decisions stay.
    """
    _bring(_Request(**locals()))


def doubts_of(area: AreaArgument, on: DayOption = None) -> None:
    """Tell what is old, missing or in doubt in an area, worst first, and what it means for planning."""
    day = _day(on, "--on") or datetime.now().astimezone().date()
    with progress() as say:
        say("reading the area")
        opened = open_area(area)
        found = doubts(opened, day)
    for line in _doubt_lines(found, opened.name, day):
        typer.echo(line)


def pack(
    area: AreaArgument,
    out: Annotated[Path, typer.Option("--out", help="The GeoPackage to write.")],
) -> None:
    """Pack an area into one GeoPackage that a GIS opens with its layers and styles."""
    from layers.interchange import pack as pack_area  # noqa: PLC0415 - only this command needs it

    with progress() as say:
        say("packing")
        open_area(area)
        done = pack_area(area, out)
    for note in done.notes:
        typer.echo(f"note: {note}")
    typer.echo(f"{out}: open it in a GIS, or read it back with: spotmap unpack {out} --into FOLDER")


def unpack(
    package: Annotated[Path, typer.Argument(help="The GeoPackage that spotmap pack wrote.")],
    into: Annotated[Path, typer.Option("--into", help="The folder to make.")],
) -> None:
    """Make an area's folder again from its GeoPackage; what was edited in a GIS comes with it."""
    from layers.interchange import unpack as unpack_area  # noqa: PLC0415 - as above

    with progress() as say:
        say("unpacking")
        done = unpack_area(package, into)
        opened = open_area(into)
    for file in done.edited:
        typer.echo(f"edited: {file}")
    for table in done.ignored:
        typer.echo(f"not taken: table '{table}' belongs to no layer of the area")
    typer.echo(f"{into}: {opened.name}, {len(done.restored)} files as they were packed, {len(done.edited)} edited")


@dataclass(frozen=True)
class _Request:
    """What was asked for with `import`."""

    files: list[Path]
    into: Path
    refresh: bool
    kind: str | None
    datum: str
    values: str
    unit: str
    crs: str
    around: str | None
    radius: str
    cell: str | None
    reach: str | None
    ground: bool
    no_entry: bool
    first: str
    last: str
    species: str
    methods: str
    rule: str
    title: str
    source: str
    as_of: str | None
    closed: list[str] | None
    leave_out: list[str] | None
    accept: list[str] | None
    private: bool
    force: bool
    name: str | None
    timezone: str | None
    show: str


def _bring(asked: _Request) -> None:
    # these read official data, which no other command does
    from layers.areafile import write_made  # noqa: PLC0415
    from spotmap.bringing import bring  # noqa: PLC0415

    said = _said(asked)
    there = (asked.into / "area.toml").exists()
    if asked.refresh and not there:
        raise InputError.one(str(asked.into), "holds no area.toml.", "Name the folder of an area.")
    with progress() as say, tempfile.TemporaryDirectory() as scratch:
        brought = bring(asked.files, said, asked.into, Path(scratch), say)
        if brought.previews:
            for text in brought.previews:
                typer.echo(text)
            typer.echo(
                "\nNothing is written yet. Look at what was understood, then give the same command with --accept and the code."
            )
            return
        say("writing the area")
        new = None if there else _new_area(asked, brought.made)
        changes = write_made(asked.into, brought.made, new=new, refresh=asked.refresh, force=asked.force)
    for line in changes.lines():
        typer.echo(line)
    for finding in brought.made.findings:
        typer.echo(f"look at: {finding}")
    where = asked.into
    typer.echo(f'\nWhat is in doubt: spotmap doubts {where}    depth lines: spotmap lines {where} "30 ft"')
    typer.echo("Not for navigation. Check the current regulation before you fish; the skipper decides.")


def _said(asked: _Request) -> Any:
    from layers.surveys import SurveyOptions  # noqa: PLC0415 - as above
    from spotmap.bringing import KINDS, RuleWords, Said  # noqa: PLC0415

    if asked.kind is not None and asked.kind not in KINDS:
        raise InputError.one("--as", f"'{asked.kind}' is not known.", f"Write one of {', '.join(KINDS)}.")
    survey = SurveyOptions(
        values=asked.values,
        unit=asked.unit,
        datum=asked.datum,
        crs=asked.crs,
        around=None if asked.around is None else parse_position(asked.around, "--around"),
        radius_m=parse_quantity(asked.radius, "length", "--radius", minimum=1.0),
        cell_m=None if asked.cell is None else parse_quantity(asked.cell, "length", "--cell", minimum=0.1),
    )
    role: Literal["closure", "ground"] = "ground" if asked.ground else "closure"
    rules = RuleWords(
        role=role,
        first=asked.first,
        last=asked.last,
        as_of=_day(asked.as_of, "--as-of"),
        source=asked.source,
        forbids="entry" if asked.no_entry else "fishing",
        species=asked.species,
        methods=asked.methods,
        reference=asked.rule,
        name=asked.title,
        closed=frozenset(asked.closed or ()),
        left_out=frozenset(asked.leave_out or ()),
        accepted=frozenset(asked.accept or ()),
    )
    return Said(cast("Any", asked.kind), survey, rules, asked.reach, asked.private)


def _new_area(asked: _Request, made: Made) -> NewArea:
    findings: list[Finding] = []
    keys = [layer.keys for layer in made.layers if layer.role == "depth"]
    keys += [file.keys for file in made.files if file.role == "depth"]
    datums = sorted({str(key["datum"]) for key in keys if "datum" in key})
    datum = asked.datum or (datums[0] if len(datums) == 1 else "")
    if not datum:
        what = f"the depths are from {' and '.join(datums)}." if datums else "the data does not say what depth 0 is."
        findings.append(Finding("--datum", what, "Say it for a new area, as --datum MLLW."))
    if not asked.timezone:
        what = "is missing: a new area needs the clock that its rules and plans are told by."
        findings.append(Finding("--timezone", what, "Write an IANA name, as --timezone America/Los_Angeles."))
    words = asked.show.split()
    kinds: tuple[Literal["length", "speed"], ...] = ("length", "length", "speed")
    if len(words) != len(kinds):
        findings.append(Finding("--show", f"'{asked.show}' is not three units.", 'Write --show "ft NM kn".'))
    if findings:
        raise InputError(findings)
    depth, distance, speed = (parse_unit(word, kind, "--show") for word, kind in zip(words, kinds, strict=True))
    name = asked.name or " and ".join(origin.name for origin in made.origins[:3])
    return NewArea(name, asked.timezone or "", datum, Show(depth, distance, speed))


_HEADINGS = {
    Weight.CLOSED: "What may be closed",
    Weight.BOTTOM: "What may be shallow",
    Weight.RECKONING: "What is not reckoned with",
    Weight.NOTE: "Noted on the way",
}


def _doubt_lines(found: list[Doubt], name: str, day: date) -> Iterator[str]:
    count = {0: "nothing in doubt", 1: "one doubt"}.get(len(found), f"{len(found)} doubts, worst first")
    yield f"{name} on {day}: {count}"
    last = None
    for doubt in found:
        if doubt.weight != last:
            yield ""
            yield _HEADINGS[doubt.weight]
            last = doubt.weight
        yield f"  {doubt.where}: {doubt.what}"
        yield f"      means: {doubt.means}"
        if doubt.remedy:
            yield f"      do: {doubt.remedy}"
    yield ""
    yield "Not for navigation. Check the current regulation; the skipper decides."


def _day(text: str | None, option: str) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError.one(option, f"'{text}' is not a date.", "Write it as 2026-08-14.") from None
