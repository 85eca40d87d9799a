"""The commands: words in, a folder or words out, exit codes as promised (0 good, 2 input, 3 no plan, 1 ours)."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Annotated

import typer

from layers._errors import InputError
from layers.area import open_area
from layers.model import Area
from layers.positions import format_position
from layers.units import format_quantity, parse_quantity
from spotmap._errors import NoPlanError
from spotmap.clock import day_of
from spotmap.depthline import figures, merged_lines
from spotmap.describe import area_words
from spotmap.gearcommands import cable, compare_setbacks, rig
from spotmap.model import Plan
from spotmap.outputs import write_folder
from spotmap.planfiles import plan_files
from spotmap.planner import make_plan
from spotmap.progress import progress
from spotmap.report import plan_words
from spotmap.tidecommands import hours, timetable
from spotmap.trip import area_folder, read_trip

USER_FAULT, NO_PLAN, OUR_FAULT = 2, 3, 1
_DEFAULT_SPECIES = "chinook"
_DEFAULT_METHOD = "troll"
_STRAIGHT_M = 2000.0

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Plan trolled tracks along depth lines, inside open water, with turns that the gear can follow. "
    "Not for navigation: the skipper decides.",
)

FolderArgument = Annotated[Path, typer.Argument(help="The folder that holds area.toml.")]
DayOption = Annotated[str | None, typer.Option("--on", help="The day, as 2026-08-14; today if not given.")]


@app.command(epilog="Example: spotmap plan demo_area/trip.toml --out friday")
def plan(
    trip: Annotated[Path, typer.Argument(help="The trip file.")],
    out: Annotated[Path, typer.Option("--out", help="The folder to write; made whole or not at all.")],
) -> None:
    """Plan a trip: map.html, route.gpx and plan.geojson in one folder."""
    made = _planned(trip)
    _write(made, out)
    for line in plan_words(made):
        typer.echo(line)
    typer.echo(f"\nOpen {out / 'map.html'} in a browser; it works without a signal.")


@app.command(epilog="Example: spotmap describe demo_area --on 2026-08-14 --species chinook")
def describe(
    area: FolderArgument,
    on: DayOption = None,
    species: Annotated[str, typer.Option(help="The species that rules are asked about.")] = _DEFAULT_SPECIES,
    method: Annotated[str, typer.Option(help="The method that rules are asked about.")] = _DEFAULT_METHOD,
) -> None:
    """Tell what an area holds: its layers and their age, what is open on a day, what is wrong with it."""
    with progress() as say:
        say("reading the area")
        opened = open_area(area)
    for line in area_words(opened, day_of(on, "--on") or datetime.now().astimezone().date(), species, method):
        typer.echo(line)


@app.command(epilog='Example: spotmap lines demo_area "100 ft" --longer "0.3 NM"')
def lines(
    area: FolderArgument,
    depth: Annotated[str, typer.Argument(help='The depth with its unit, as "100 ft".')],
    longer: Annotated[str, typer.Option("--longer", help="Leave out lines shorter than this.")] = "0.2 NM",
    most: Annotated[int, typer.Option("--most", min=1, help="Show at most so many.")] = 20,
) -> None:
    """List the lines at a depth, longest first: length, straightness, and the turning radius they allow."""
    depth_m = parse_quantity(depth, "length", "depth")
    shortest_m = parse_quantity(longer, "length", "--longer", minimum=0.0)
    with progress() as say:
        say("reading the area")
        opened = open_area(area)
    told = [figures(line) for line in merged_lines(opened.depth.depth_line(depth_m)) if line.length >= shortest_m]
    told.sort(key=lambda one: -one.length_m)
    if not told:
        typer.echo(f"No {depth} line of at least {longer} in {opened.name}.")
        return
    typer.echo("length    straight  bends to  middle")
    for one in told[:most]:
        middle = one.line.interpolate(0.5, normalized=True)
        lon, lat = opened.projection.to_geographic([middle.x], [middle.y])
        radius = "straight" if one.radius_p05_m > _STRAIGHT_M else f"R {one.radius_p05_m:.0f} m"
        length = format_quantity(one.length_m, opened.show.distance)
        place = format_position(float(lon[0]), float(lat[0]))
        typer.echo(f"{length:8}  {one.straightness:7.0%}  {radius:9} {place}")
    if len(told) > most:
        typer.echo(f"and {len(told) - most} shorter ones")


app.command(epilog="Example: spotmap rig demo_area/trip.toml")(rig)
app.command("compare", epilog='Example: spotmap compare demo_area/trip.toml --setback "25 ft" --setback "60 ft"')(
    compare_setbacks
)
app.command(epilog='Example: spotmap cable --ball "12 lb" --out "100 ft" --angle "42 deg"')(cable)
app.command(epilog="Example: spotmap hours demo_area/trip.toml --start 05:00 --start 07:30 --on 2026-08-15")(hours)
app.command(epilog='Example: spotmap timetable demo_area/trip.toml --every "10 min" --csv friday.csv')(timetable)


@app.command(epilog="Example: spotmap demo --out first-look")
def demo(
    out: Annotated[Path, typer.Option("--out", help="The folder to write.")] = Path("spotmap-demo"),
) -> None:
    """Plan a morning on the invented sound that comes with the program, and say where to look."""
    made = _planned(_demo_folder() / "trip.toml")
    _write(made, out)
    for line in plan_words(made):
        typer.echo(line)
    typer.echo(f"\nThis sound is invented. Open {out / 'map.html'} in a browser; {out / 'route.gpx'} is for a plotter.")


@cache
def _with_all_commands() -> None:
    from spotmap.areacommands import add_area_commands  # noqa: PLC0415  a plan need not wait for them

    add_area_commands(app)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command and leave with its exit code.

    Parameters
    ----------
    arguments
        The words after the program's name; None takes them from the command line.

    Raises
    ------
    SystemExit
        Always: 0 good, 2 the input is at fault, 3 no lawful and safe plan, 1 a defect of ours.
    """
    words = sys.argv[1:] if arguments is None else list(arguments)
    if not words or words[0] not in ("plan", "demo"):
        _with_all_commands()
    try:
        app(args=words, prog_name="spotmap", standalone_mode=True)
    except InputError as error:
        _complain("Nothing was written: the input is at fault.", [str(one) for one in error.findings])
        raise SystemExit(USER_FAULT) from None
    except NoPlanError as error:
        _complain("Nothing was written: no lawful, safe plan exists.", str(error).splitlines())
        raise SystemExit(NO_PLAN) from None
    except Exception as error:  # noqa: BLE001  the last door: no traceback for the user, and an honest exit code
        frame = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(frame.filename).name}, line {frame.lineno}"
        _complain(
            "Nothing was written: this is a defect of spotmap.",
            [f"{type(error).__name__}: {error} ({where})"],
        )
        raise SystemExit(OUR_FAULT) from None


def _planned(trip: Path) -> Plan:
    with progress() as say:
        say("reading the area")
        area: Area = open_area(area_folder(trip))
        return make_plan(area, read_trip(trip, area), say)


def _write(made: Plan, out: Path) -> None:
    with progress() as say:
        say("drawing the map")
        files = plan_files(made)
        say("writing")
        write_folder(out, files)


def _demo_folder() -> Path:
    inside = Path(__file__).parent / "demo_area"
    return inside if inside.is_dir() else Path(__file__).parents[1] / "demo_area"


def _complain(headline: str, lines: Sequence[str]) -> None:
    typer.echo(headline, err=True)
    for line in lines:
        typer.echo(f"  {line}", err=True)
