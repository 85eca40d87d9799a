"""The commands about the clock: hours side by side, and the trip minute by minute."""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import product
from pathlib import Path
from typing import Annotated
from uuid import uuid4

import numpy as np
import typer

from layers._errors import InputError
from layers.area import open_area
from layers.model import FloatArray
from layers.units import parse_quantity, to_unit
from spotmap.clock import clock_of
from spotmap.hours import hours_words, try_hours
from spotmap.model import Plan
from spotmap.momentwords import offset_words, set_words, tide_words
from spotmap.outputs import write_folder
from spotmap.planfiles import plan_files
from spotmap.planner import make_plan
from spotmap.progress import progress
from spotmap.report import source_words
from spotmap.trip import area_folder, read_trip

TripArgument = Annotated[Path, typer.Argument(help="The trip file.")]
_MINUTE_S = 60.0
_YEARS = range(1900, 2200)
"""Days on which sun and calendar can be reckoned, with some to spare."""
_LIGHTS = ("night", "twilight", "day")
_UNKNOWN = "-"
_GEAR_UP = "gear up"
_HEADS = ("time", "leg", "does", "tide", "current at boat", "current at work", "light", "charted", "under gear")
_CSV_STARTS = ("time", "leg", "does", "pattern")
"""The first columns of the CSV: a file that begins with them may be replaced."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A text that begins so is a formula to a spreadsheet."""


def hours(
    trip: TripArgument,
    start: Annotated[
        list[str] | None,
        typer.Option("--start", help='A start to try, as "05:00"; give several. The trip\'s own if none.'),
    ] = None,
    on: Annotated[
        list[str] | None,
        typer.Option("--on", help="A day to try, as 2026-08-15; give several. The trip's own if none."),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="Also write each plan, a folder each, in here.")] = None,
) -> None:
    """Plan the same trip at several hours and days, and tell which give the most time on the line with the tide."""
    starts = [clock_of(text, "--start") for text in start or ()]
    days = [_day(text) for text in on or ()]
    with progress() as say:
        say("reading the area")
        area = open_area(area_folder(trip))
        if not (starts and days):
            own = read_trip(trip, area)
            starts, days = starts or [own.start.time()], days or [own.date]
        tried = try_hours(
            area, list(product(days, starts)), lambda day, clock: read_trip(trip, area, on=day, start=clock), say
        )
        planned = [(one, one.plan) for one in tried if one.plan is not None]
        for one, plan in planned if out is not None else ():
            say(f"writing {one.name}")
            write_folder((out or Path()) / f"{one.day}-{one.start:%H%M}", plan_files(plan))
    typer.echo(f"{_area_name(planned[0][1])}, the same trip at other hours")
    for line in hours_words(tried, area.show):
        typer.echo(line)
    for text in dict.fromkeys(caution for _, plan in planned for caution in plan.cautions):
        typer.echo(f"Caution: {text}")


def timetable(
    trip: TripArgument,
    every: Annotated[str, typer.Option("--every", help='How often a row, as "10 min"; whole minutes.')] = "10 min",
    csv_file: Annotated[
        Path | None, typer.Option("--csv", help="Also write a row for every minute to this file, as CSV.")
    ] = None,
) -> None:
    """Print the trip by the clock: what the boat does, tide, current, light, and the water under the gear."""
    minutes = parse_quantity(every, "time", "--every", minimum=_MINUTE_S) / _MINUTE_S
    if abs(minutes - round(minutes)) > 1e-9:  # noqa: PLR2004  what a unit's factor may leave
        raise InputError.one("--every", f'"{every}" is no whole number of minutes.', 'Write it as "10 min".')
    with progress() as say:
        say("reading the area")
        area = open_area(area_folder(trip))
        plan = make_plan(area, read_trip(trip, area), say)
    if csv_file is not None:
        _write_whole(csv_file, timetable_csv(plan))
    for line in timetable_words(plan, round(minutes)):
        typer.echo(line)
    if csv_file is not None:
        typer.echo(f"\nEvery minute is in {csv_file}.")


def _day(text: str) -> date:
    try:
        day = date.fromisoformat(text.strip())
    except ValueError:
        raise InputError.one("--on", f"'{text}' is not a date.", "Write it as 2026-08-14.") from None
    if day.year not in _YEARS:
        raise InputError.one("--on", f"{day} is no day to plan for.", "Write a day near ours, as 2026-08-14.")
    return day


def _area_name(plan: Plan) -> str:
    return plan.area.name + (" (INVENTED)" if plan.area.invented else "")


@dataclass(frozen=True)
class _Minutes:
    """The day table with what is derived from it, (n,) each; NaN is not known, or no gear in the water."""

    set_deg: FloatArray
    drift_mps: FloatArray
    work_set_deg: FloatArray
    work_drift_mps: FloatArray
    under_gear_m: FloatArray
    light: tuple[str, ...]
    gear_up: tuple[bool, ...]
    legs: tuple[tuple[str, str, str], ...]
    """Label, kind and pattern of the leg under way."""


def _minutes_of(plan: Plan) -> _Minutes:
    day = plan.day
    legs = {timed.seq: timed.leg for timed in plan.legs}
    under_way = [legs[seq] for seq in day.seq.tolist()]
    # where there is no tide layer none is counted, and the cautions say so; a tide not known leaves the depth unknown
    tide_m = np.zeros_like(day.tide_m) if plan.area.tide is None else day.tide_m
    return _Minutes(
        set_deg=_set_deg(plan, day.flow_mps),
        drift_mps=np.hypot(*day.flow_mps.T),
        work_set_deg=_set_deg(plan, day.work_flow_mps),
        work_drift_mps=np.hypot(*day.work_flow_mps.T),
        under_gear_m=day.charted_m + tide_m - day.gear_m,
        light=tuple(_LIGHTS[one] for one in plan.day.light.tolist()),
        gear_up=tuple(leg.kind == "run" for leg in under_way),
        legs=tuple((leg.label, leg.kind, "" if leg.kind == "run" else leg.pattern or "") for leg in under_way),
    )


def _set_deg(plan: Plan, flow_mps: FloatArray) -> FloatArray:
    """Return where the water goes, degrees true, (n,); NaN where that is not known."""
    angle = np.arctan2(flow_mps[:, 1], flow_mps[:, 0])
    course = plan.area.projection.true_course_deg(plan.day.xy[:, 0], plan.day.xy[:, 1], np.nan_to_num(angle))
    told: FloatArray = np.where(np.isnan(angle), np.nan, course % 360.0)
    return told


def timetable_words(plan: Plan, every_min: int = 10) -> Iterator[str]:
    """Yield a trip by the clock, a row every so many minutes and one at its end, events at their own time.

    What is not known is a dash. Depths are rounded down.
    """
    day = plan.day
    zone = plan.area.timezone.key
    yield f"{_area_name(plan)}, {plan.trip.species}, {plan.trip.method}, by the clock of {zone}"
    tide = "no tide counted" if plan.area.tide is None else "with the tide on it"
    yield f"Tide over {plan.area.depth_datum}, charted depth under it; currents: the true direction the water goes to."
    yield f"Under gear: from the deepest gear to the bottom at the boat, {tide}."
    at = sorted({*range(0, len(day.moments), every_min), len(day.moments) - 1})
    rows = list(_rows(plan, at))
    wide = [max(map(len, column)) for column in zip(_HEADS, *rows, strict=True)]
    yield ""
    yield _aligned(_HEADS, wide)
    events = list(day.events)
    shown: date | None = None
    for index, row in zip(at, rows, strict=True):
        moment = day.moments[index]
        # by absolute time: moments of one zone compare the hands of the clock
        while events and events[0][0].timestamp() <= moment.timestamp():
            when, words = events.pop(0)
            if when.date() != shown:
                yield f"{(shown := when.date())}"
            yield _aligned((_clock_of(when, day.moments), words), wide)
        if moment.date() != shown:
            yield f"{(shown := moment.date())}"
        yield _aligned(row, wide)
    yield ""
    for text in plan.warnings:
        yield f"Warning: {text}"
    for text in plan.cautions:
        yield f"Caution: {text}"


def _clock_of(moment: datetime, moments: Sequence[datetime]) -> str:
    """Return the hands of the clock, and how far it is from UTC on a trip on which that changes."""
    changes = moments[0].utcoffset() != moments[-1].utcoffset()
    return f"{moment:%H:%M}" + (f" {offset_words(moment)}" if changes else "")


def _rows(plan: Plan, at: Sequence[int]) -> Iterator[tuple[str, ...]]:
    day, show, told = plan.day, plan.area.show, _minutes_of(plan)
    for index in at:
        label, kind, pattern = told.legs[index]
        yield (
            _clock_of(day.moments[index], day.moments),
            label,
            f"{kind}, {pattern}" if pattern else kind,
            _known(tide_words(float(day.tide_m[index]), float(day.rising_mps[index]), show.depth)),
            _known(set_words(float(told.set_deg[index]), float(told.drift_mps[index]), show.speed)),
            _known(set_words(float(told.work_set_deg[index]), float(told.work_drift_mps[index]), show.speed)),
            told.light[index],
            _depth(float(day.charted_m[index]), show.depth),
            _GEAR_UP if told.gear_up[index] else _depth(float(told.under_gear_m[index]), show.depth),
        )


def _known(words: str) -> str:
    return _UNKNOWN if words == "unknown" else words


def _depth(depth_m: float, unit: str) -> str:
    return _UNKNOWN if math.isnan(depth_m) else f"{_down(depth_m, unit):.1f} {unit}"


def _down(depth_m: float, unit: str) -> float:
    """Return a depth in a unit, rounded down to a tenth: water is never promised that is not there."""
    return math.floor(10.0 * to_unit(depth_m, unit) + 1e-9) / 10.0


def _aligned(cells: Sequence[str], wide: Sequence[int]) -> str:
    return "  ".join(f"{cell:{width}}" for cell, width in zip(cells, wide, strict=False)).rstrip()


def timetable_csv(plan: Plan) -> bytes:
    """Return a trip minute by minute as CSV (RFC 4180) in UTF-8: units in the header, times in ISO 8601.

    What is not known is an empty cell; so is gear that is not in the water. An event stands in the minute it falls in.
    The first row's last cell holds the cautions and where the data comes from.
    """
    day, area, told = plan.day, plan.area, _minutes_of(plan)
    depth, speed = area.show.depth, area.show.speed
    text = io.StringIO(newline="")
    write = csv.writer(text).writerow
    write(
        (
            *_CSV_STARTS,
            f"tide ({depth} over {area.depth_datum})",
            "tide trend",
            "current set at boat (deg true)",
            f"current at boat ({speed})",
            "current set at work (deg true)",
            f"current at work ({speed})",
            "light",
            f"charted depth at boat ({depth} under {area.depth_datum})",
            f"deepest gear ({depth})",
            f"water under gear ({depth}; {'no tide counted' if area.tide is None else 'with tide'})",
            "events",
            "area",
        )
    )
    starts_s = [moment.timestamp() for moment in day.moments]
    events: dict[int, list[str]] = {}
    for when, words in day.events:
        minute = int(np.searchsorted(starts_s, when.timestamp(), side="right")) - 1
        events.setdefault(minute, []).append(f"{when.isoformat(timespec='seconds')} {words}")
    brief = f"{_area_name(plan)}: not for navigation"
    whole = " ".join((f"{brief}.", *plan.cautions, *source_words(area)))
    for index, moment in enumerate(day.moments):
        trend = tide_words(float(day.tide_m[index]), float(day.rising_mps[index]), depth).partition(", ")[2]
        write(
            (
                moment.isoformat(timespec="seconds"),
                *map(_text, told.legs[index]),
                _number(day.tide_m[index], depth, 2),
                trend,
                _degrees(told.set_deg[index]),
                _number(told.drift_mps[index], speed, 2),
                _degrees(told.work_set_deg[index]),
                _number(told.work_drift_mps[index], speed, 2),
                told.light[index],
                _floored(day.charted_m[index], depth),
                _number(day.gear_m[index], depth, 1),
                _floored(told.under_gear_m[index], depth),
                _text("; ".join(events.get(index, ()))),
                _text(brief if index else whole),
            )
        )
    return text.getvalue().encode()


def _text(words: str) -> str:
    return f"'{words}" if words.startswith(_FORMULA) else words


def _number(value: float, unit: str, decimals: int) -> str:
    return "" if math.isnan(value) else f"{round(to_unit(float(value), unit), decimals) + 0.0:.{decimals}f}"


def _degrees(value: float) -> str:
    return "" if math.isnan(value) else f"{round(value) % 360}"


def _floored(value: float, unit: str) -> str:
    return "" if math.isnan(value) else f"{_down(float(value), unit):.1f}"


def _write_whole(file: Path, content: bytes) -> None:
    """Write a file whole or not at all; only an earlier timetable is ever replaced.

    Raises
    ------
    InputError
        When the file is something else, or cannot be written.
    """
    target = file.resolve()
    part = target.with_name(f".{target.name}-{uuid4().hex}.part")
    try:
        if target.exists() and not _is_timetable(target):
            raise InputError.one(
                str(file), "There is something here that is not a timetable.", "Choose another name with --csv."
            )
        with part.open("xb") as opened:
            opened.write(content)
            opened.flush()
            os.fsync(opened.fileno())
        part.replace(target)
    except OSError as error:
        raise InputError.one(
            str(file),
            f"The timetable cannot be written here: {error.strerror or type(error).__name__}.",
            "Choose with --csv a file in a folder that exists and that you may write in.",
        ) from error
    finally:
        part.unlink(missing_ok=True)


def _is_timetable(file: Path) -> bool:
    return file.is_file() and file.read_bytes().startswith(f"{','.join(_CSV_STARTS)},".encode())
