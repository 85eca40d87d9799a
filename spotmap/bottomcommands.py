"""The command that looks for the forms of an area's bottom, and keeps them in the area."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated, get_args

import typer

from layers._errors import InputError
from layers.area import open_area
from layers.model import LandformKind
from layers.positions import format_position
from layers.units import parse_quantity
from spotmap.progress import progress


def shape(
    area: Annotated[Path, typer.Argument(help="The folder that holds area.toml.")],
    *,
    scale: Annotated[
        list[str] | None, typer.Option("--scale", help='A scale to look at, as "75 m"; may repeat.')
    ] = None,
    kind: Annotated[str | None, typer.Option("--kind", help="List only this kind, as hump.")] = None,
    most: Annotated[int, typer.Option("--most", min=0, help="List at most so many, the most significant first.")] = 20,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Tell what is found, and write nothing.")] = False,
) -> None:
    """Find humps, holes, points, pockets, ledges, drop-offs, saddles, flats, and keep them as a layer of the area."""
    from layers.landformfiles import write_landforms  # noqa: PLC0415 - no other command needs them
    from layers.landforms import (  # noqa: PLC0415
        choose_scales,
        landforms,
        round_step_m,
        stated_doubt,
    )
    from layers.landformwords import landform_words  # noqa: PLC0415
    from layers.relief import is_surface  # noqa: PLC0415

    if kind is not None and kind not in get_args(LandformKind):
        kinds = ", ".join(get_args(LandformKind))
        raise InputError.one("--kind", f"'{kind}' is no kind of form.", f"Write one of {kinds}.")
    scales = [parse_quantity(one, "length", "--scale", minimum=1.0) for one in scale or []]
    with progress() as say:
        say("reading the area")
        opened = open_area(area)
        if not is_surface(opened.depth, opened.depth.bounds):
            what = "its depth is given as areas, which are steps and have no slopes."
            raise InputError.one(str(area), what, "Bring in a survey or soundings: spotmap import.")
        say("looking at the bottom")
        found = landforms(
            opened.depth,
            scales_m=scales or choose_scales(opened.depth),
            uncertainty_m=stated_doubt(opened),
            step_m=round_step_m(opened.show),
        )
        if not dry_run:
            say("writing")
            write_landforms(area, opened, found)
    counts = Counter(form.kind for form in found)
    at = " and ".join(f"{one:g} m" for one in scales or choose_scales(opened.depth))
    told = ", ".join(f"{count} {form}{'s' if count > 1 else ''}" for form, count in counts.most_common()) or "nothing"
    typer.echo(f"{opened.name}, looked at on scales of {at}: {told}")
    chosen = sorted((one for one in found if kind in (None, one.kind)), key=lambda one: -one.significance)
    for form in chosen[:most]:
        middle = form.shape.representative_point()
        lon, lat = opened.projection.to_geographic([middle.x], [middle.y])
        typer.echo(f"  {format_position(float(lon[0]), float(lat[0]))}  {landform_words(form, opened.show)}")
    if len(chosen) > most:
        typer.echo(f"  and {len(chosen) - most} more")
    typer.echo("Found in the depth data at these scales, no more: the bottom itself may differ. Not for navigation.")
