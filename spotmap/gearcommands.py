"""The commands about gear: the rig card, the cable, other setbacks side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from layers._errors import InputError
from layers.area import open_area
from layers.units import Kind, format_quantity, parse_quantity
from spotmap._errors import NoPlanError
from spotmap.cable import Hung, TowedLine, cable_for_depth, deepest, hang, speed_from_angle
from spotmap.comparison import compare, comparison_words
from spotmap.gear import turning_radius
from spotmap.outputs import write_folder
from spotmap.planfiles import plan_files
from spotmap.progress import progress
from spotmap.rigcard import rig_card, rig_words
from spotmap.rods import bare_tackle
from spotmap.trip import area_folder, read_trip

TripArgument = Annotated[Path, typer.Argument(help="The trip file.")]
_SPEED = "2.7 kn"


def rig(trip: TripArgument) -> None:
    """Print the rig card: for each time, what to dial on every rod and what to expect."""
    area = open_area(area_folder(trip))
    read = read_trip(trip, area)
    for line in rig_words(rig_card(turning_radius(read.rods, read.boat, read.limits)), area.show):
        typer.echo(line)


def compare_setbacks(
    trip: TripArgument,
    setback: Annotated[list[str], typer.Option("--setback", help='A setback to try, as "25 ft"; give several.')],
    out: Annotated[Path | None, typer.Option("--out", help="Also write each plan, a folder each, in here.")] = None,
) -> None:
    """Plan the same trip with several setbacks and print what each buys, side by side."""
    tried = [parse_quantity(text, "length", "--setback", minimum=0.0) for text in setback]
    with progress() as say:
        say("reading the area")
        area = open_area(area_folder(trip))
        found = compare(area, read_trip(trip, area), tried, say)
    if out is not None:
        for text, (_, plan) in zip(setback, found, strict=True):
            write_folder(out / f"setback-{text.strip().replace(' ', '-')}", plan_files(plan))
    for line in comparison_words([figures for figures, _ in found], area.show):
        typer.echo(line)


def cable(
    ball: Annotated[str, typer.Option("--ball", help='The ball, as "12 lb".')] = "12 lb",
    out: Annotated[str | None, typer.Option("--out", help='Cable out, as "100 ft".')] = None,
    depth: Annotated[str | None, typer.Option("--depth", help='Wanted depth, as "60 ft".')] = None,
    speed: Annotated[str | None, typer.Option("--speed", help='Speed through the water, as "2.7 kn".')] = None,
    angle: Annotated[str | None, typer.Option("--angle", help='Observed angle from the vertical, "42 deg".')] = None,
) -> None:
    """Tell where a ball hangs: from cable out and speed, from a wanted depth, or from the angle you see."""
    if (out is None) == (depth is None):
        raise InputError.one("cable", "wants either --out or --depth.", 'Give one, as --out "100 ft".')
    if angle is not None and (speed is not None or out is None):
        raise InputError.one("cable", "--angle goes with --out and without --speed.", "The angle tells the speed.")
    tackle = bare_tackle(_read(ball, "mass", "--ball", 0.01), flat=False)
    line = TowedLine(
        tackle.weight_n,
        tackle.drag_area_m2,
        tackle.line_diameter_m,
        tackle.line_weight_n_per_m,
        tackle.normal_drag,
        tackle.tangential_drag,
    )
    if out is not None:
        out_m = _read(out, "length", "--out", 0.1)
        towed_mps = _towed_mps(line, out_m, angle, speed)
        hung = hang(line, out_m, towed_mps)
    else:
        towed_mps = _read(speed or _SPEED, "speed", "--speed", 0.1)
        depth_m = _read(depth or "", "length", "--depth", 0.1)
        hung = cable_for_depth(line, depth_m, towed_mps, tackle.most_line_m)
        if np.isnan(hung.cable_out_m):
            most = deepest(line, towed_mps, tackle.most_line_m)
            raise NoPlanError(
                f"No cable of {format_quantity(tackle.most_line_m, 'ft', 0)} reaches {depth} at this speed.",
                [f"{format_quantity(float(most.depth_m), 'ft', 0)} is the deepest"],
                ["a heavier ball", "a slower speed"],
            )
    typer.echo(_hung_words(hung, towed_mps, ball))


def _towed_mps(line: TowedLine, out_m: float, angle: str | None, speed: str | None) -> float:
    if angle is None:
        return _read(speed or _SPEED, "speed", "--speed", 0.1)
    found = float(speed_from_angle(line, out_m, _read(angle, "angle", "--angle", 0.0)))
    if np.isnan(found):
        raise InputError.one("--angle", f"no speed lays this cable at {angle}.", "Look again, or check ball and cable.")
    return found


def _read(text: str, kind: Kind, where: str, least: float) -> float:
    return parse_quantity(text, kind, where, minimum=least)


def _hung_words(hung: Hung, speed_mps: float, ball: str) -> str:
    out, depth, back = (
        format_quantity(float(value), "ft", 0) for value in (hung.cable_out_m, hung.depth_m, hung.layback_m)
    )
    return (
        f"{ball} ball, {out} of cable, {format_quantity(speed_mps, 'kn', 2)} through the water: "
        f"{depth} deep, {back} behind, {np.degrees(float(hung.angle_rad)):.0f}° from the vertical at the surface"
    )
