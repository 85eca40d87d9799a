"""The command that tells where moving water meets the forms of the bottom, through some hours or at a moment."""

from __future__ import annotations

from datetime import datetime, timedelta
from math import isnan
from pathlib import Path
from typing import Annotated

import typer

from layers._errors import InputError
from layers.area import open_area
from layers.model import Area, Landform
from layers.positions import format_position
from spotmap.clock import clock_of, day_of, later
from spotmap.progress import progress

_RULE = (
    "A rule of thumb, not a fact: water squeezed over a form speeds up by the depth it loses; a rip is called likely "
    "where that gains 0.4 kn or more, and in less than 0.8 kn of current only where it gains more still (common "
    "practice, no source). Wind, wakes and other currents are not in it."
)


def rips(
    area: Annotated[Path, typer.Argument(help="The folder that holds area.toml.")],
    *,
    on: Annotated[str | None, typer.Option("--on", help="The day, as 2026-08-14; today if not given.")] = None,
    start: Annotated[str, typer.Option("--start", help="From this time on, as 05:30.")] = "06:00",
    hours: Annotated[float, typer.Option("--hours", min=0.1, max=48.0, help="Through so many hours.")] = 6.0,
    at: Annotated[
        str | None, typer.Option("--at", help="At one time, as 09:40: with up-current faces and lee.")
    ] = None,
    most: Annotated[int, typer.Option("--most", min=1, help="Tell at most so many forms.")] = 12,
) -> None:
    """Tell where the current likely makes rips, and which sides of the bottom's forms it meets."""
    from spotmap.rips import meetings, through  # noqa: PLC0415 - no other command needs it

    asked = day_of(on, "--on")
    since_clock, at_clock = clock_of(start, "--start"), None if at is None else clock_of(at, "--at")
    with progress() as say:
        say("reading the area")
        opened = open_area(area)
        day = asked or datetime.now(opened.timezone).date()
        forms = _forms(opened, area)
        say("looking at the current")
        begin = datetime.combine(day, since_clock if at_clock is None else at_clock, opened.timezone)
        if at_clock is None:
            worked = through(opened, forms, begin, later(begin, timedelta(hours=hours)))
            told = sorted((one for one in worked if one.rips or one.faces), key=lambda one: not one.rips)
            lines = [(one.form, one.words) for one in told]
            untold = sum(one.known == 0.0 for one in worked)
        else:
            found = meetings(opened, forms, begin)
            met = sorted((one for one in found if one.met), key=lambda one: -one.rip)
            lines = [(one.form, one.words) for one in met]
            untold = sum(isnan(one.rip) for one in found)
    when = f"at {begin:%H:%M}" if at_clock is not None else f"from {begin:%H:%M} for {hours:g} h"
    known = f"; at {untold} of them the current is unknown then" if untold else ""
    typer.echo(
        f"{opened.name} on {day}, {when}: {len(lines)} of {len(forms)} forms of the bottom meet the current{known}"
    )
    for form, words in lines[:most]:
        middle = form.shape.representative_point()
        lon, lat = opened.projection.to_geographic([middle.x], [middle.y])
        typer.echo(f"  {form.name}, {format_position(float(lon[0]), float(lat[0]))}: {words}")
    if len(lines) > most:
        typer.echo(f"  and {len(lines) - most} more")
    typer.echo(_RULE)


def _forms(area: Area, folder: Path) -> tuple[Landform, ...]:
    if area.current is None:
        what = "has no current layer, so no water is known to move."
        raise InputError.one(str(folder), what, "Add stations or a grid of current.")
    if not area.landforms:
        what = "has no forms of the bottom yet."
        raise InputError.one(str(folder), what, f"Look for them: spotmap shape {folder}")
    return area.landforms
