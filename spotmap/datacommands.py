"""The commands about an area's data: bring it in, say what is in doubt, pack it into one file and unpack it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from layers.area import open_area
from spotmap.clock import day_of
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
    said = dict(locals())
    from spotmap.bringinto import Request, bring_into  # noqa: PLC0415 - no other command needs the readers

    bring_into(Request(**said))


def doubts_of(area: AreaArgument, on: DayOption = None) -> None:
    """Tell what is old, missing or in doubt in an area, worst first, and what it means for planning."""
    from spotmap.doubts import doubt_lines, doubts  # noqa: PLC0415 - as above

    day = day_of(on, "--on") or datetime.now().astimezone().date()
    with progress() as say:
        say("reading the area")
        opened = open_area(area)
        found = doubts(opened, day)
    for line in doubt_lines(found, opened.name, day):
        typer.echo(line)


def pack(
    area: AreaArgument,
    out: Annotated[Path, typer.Option("--out", help="The GeoPackage to write.")],
) -> None:
    """Pack an area into one GeoPackage that a GIS opens with its layers and styles."""
    from layers.interchange import pack as pack_area  # noqa: PLC0415 - as above

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
