"""The command that lists what is worth it today, and takes a place of the list into the trip."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Literal

import typer

from layers._errors import InputError
from layers.area import open_area
from spotmap.clock import clock_of, day_of
from spotmap.progress import progress
from spotmap.trip import area_folder, read_trip

_MOST_WEIGHT = 1000.0


def worth_today(  # noqa: PLR0913, PLR0917  the options of a command
    trip: Annotated[Path, typer.Argument(help="The trip file.")],
    most: Annotated[int, typer.Option("--most", min=1, max=50, help="List at most so many.")] = 12,
    take: Annotated[
        int | None, typer.Option("--take", min=1, help="Write this one of the list into the trip file.")
    ] = None,
    work: Annotated[
        str | None,
        typer.Option("--work", help='The piece of work that the list is for, from 1; with --take also "new".'),
    ] = None,
    on: Annotated[str | None, typer.Option("--on", help="Another day, as 2026-08-15. The trip's own if none.")] = None,
    start: Annotated[str | None, typer.Option("--start", help='Another start, as "05:00".')] = None,
    weigh: Annotated[str | None, typer.Option("--weigh", help='What parts count for, as "run=2,current=0".')] = None,
) -> None:
    """List what is worth it in the trip's hours: lawful first, then by parts that you can see and weigh otherwise."""
    from spotmap.taking import take as take_place  # noqa: PLC0415 - no other command needs these
    from spotmap.worth import verdict  # noqa: PLC0415
    from spotmap.worthwords import verdict_words  # noqa: PLC0415

    weights = weights_of(weigh)
    day, clock = day_of(on, "--on"), None if start is None else clock_of(start, "--start")
    if take is not None and work is None:
        raise InputError.one("--take", "needs the piece of work.", "Give it with --work 1, or --work new.")
    chosen = _work(work)
    with progress() as say:
        say("reading the area")
        area = open_area(area_folder(trip))
        read = read_trip(trip, area, on=day, start=clock)
        index = len(read.works) - 1 if chosen == "new" else chosen
        found = verdict(area, read, most, work=index, weights=weights, progress=say)
    for line in verdict_words(found, area, read, weights):
        typer.echo(line)
    if take is None:
        return
    if take > len(found.listed):
        raise InputError.one("--take", f"there is no {take} on the list.", f"It has {len(found.listed)}.")
    kept = take_place(trip, area, found.listed[take - 1], work=chosen)
    where = "a new piece of work" if chosen == "new" else f"work {index + 1}"
    typer.echo(f"\n{found.listed[take - 1].candidate.name} is now {where} of {trip}; before: {kept.name}.")
    if (day is not None and day != read_trip(trip, area).date) or clock is not None:
        typer.echo("The list was for another day or hour than the trip file names: change them there before you plan.")
    typer.echo(f"Next: spotmap plan {trip} --out FOLDER")


def weights_of(text: str | None) -> dict[str, float]:
    """Return what each part counts for, with those of a text such as "run=2,current=0" put in.

    Raises
    ------
    InputError
        A part or a weight is not understood.

    Examples
    --------
    >>> weights_of("run=2, current=0")["run"]
    2.0
    """
    from spotmap.judged import WEIGHTS  # noqa: PLC0415 - as above

    weights = dict(WEIGHTS)
    for piece in filter(None, (one.strip() for one in (text or "").split(","))):
        name, _, value = (one.strip() for one in piece.partition("="))
        try:
            weight = float(value)
        except ValueError:
            weight = math.nan
        if name not in weights or not 0.0 <= weight <= _MOST_WEIGHT:
            raise InputError.one(
                "--weigh",
                f"'{piece}' is no part with a weight from 0 to {_MOST_WEIGHT:g}.",
                f"Parts are {', '.join(WEIGHTS)}: write run=2,current=0.",
            )
        weights[name] = weight
    return weights


def _work(text: str | None) -> int | Literal["new"]:
    if text is not None and text.strip().casefold() == "new":
        return "new"
    number = (text or "1").strip()
    if not (number.isascii() and number.isdigit() and int(number) >= 1):
        raise InputError.one("--work", f"'{text}' is no piece of work.", "Write 1 for the first, or new.")
    return int(number) - 1
