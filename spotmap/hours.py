"""The same trip at other hours and on other days, side by side: which give the most time on the line with the tide."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time

import numpy as np

from layers._errors import Finding, InputError
from layers.model import Area, Show
from layers.units import format_quantity
from spotmap._errors import NoPlanError
from spotmap.clock import elapsed
from spotmap.comparison import table_line
from spotmap.minutes import current_known
from spotmap.model import FloatArray, Plan, TimedLeg, Trip
from spotmap.momentwords import clock_words, tide_words
from spotmap.moving import NEAR_SLACK_MPS
from spotmap.planner import make_plan
from spotmap.report import elapsed_words

MOST_TRIES = 12
_COLUMNS = 4
_MINUTE_S = 60.0
_NOTHING = "-"
_UNCOUNTED = "no current counted"


@dataclass(frozen=True)
class HourFigures:
    """One plan's figures: times in seconds, fuel in litres.

    The four after `on_line_s` add up to it: with the current along the line, against it, near slack, and where the
    plan counts no current. `strongest_mps` is the strongest current met with gear down, None where none is counted.
    """

    on_line_s: float
    with_s: float
    against_s: float
    slack_s: float
    uncounted_s: float
    away_s: float
    passes: int
    one_way: int
    running_s: float
    fuel_l: float | None
    strongest_mps: float | None
    dark_s: float

    @property
    def counts_current(self) -> bool:
        """Return whether a current is counted on any pass."""
        return self.uncounted_s < self.on_line_s

    @property
    def with_tide_s(self) -> float:
        """Return the time on the line with the current or near slack."""
        return self.with_s + self.slack_s


@dataclass(frozen=True)
class Tried:
    """A day and a start, with the plan and its figures, or with why there is none."""

    day: date
    start: time
    plan: Plan | None = None
    figures: HourFigures | None = None
    fault: InputError | NoPlanError | None = None

    @property
    def name(self) -> str:
        """Return the day and the start."""
        return f"{self.day} {self.start:%H:%M}"


def try_hours(
    area: Area,
    moments: Sequence[tuple[date, time]],
    read: Callable[[date, time], Trip],
    progress: Callable[[str], None] = lambda _: None,
) -> tuple[Tried, ...]:
    """Return the trip planned on each of these days at each of these starts, in order of time.

    Parameters
    ----------
    area
        The area.
    moments
        Days and starts in the area's time, in any order; what is given twice is planned once.
    read
        Returns the trip of a day and a start: first light and ladders hang on them.
    progress
        Is told what is being done, a few words at a time.

    Raises
    ------
    InputError
        When there are too many, or none has a plan because of the input.
    NoPlanError
        When none has a plan, though the input of one at least is good.
    """
    wanted = sorted(set(moments))
    if len(wanted) > MOST_TRIES:
        raise InputError.one(
            "--start and --on",
            f"make {len(wanted)} plans; at most {MOST_TRIES} are compared.",
            "Give fewer starts or fewer days.",
        )
    tried = tuple(_try(area, day, start, read, progress) for day, start in wanted)
    _refuse_if_none(tried)
    return tried


def _try(
    area: Area, day: date, start: time, read: Callable[[date, time], Trip], progress: Callable[[str], None]
) -> Tried:
    try:
        plan = make_plan(area, read(day, start), lambda text: progress(f"{day} {start:%H:%M}: {text}"))
    except (InputError, NoPlanError) as fault:
        return Tried(day, start, fault=fault)
    return Tried(day, start, plan, figures_of(plan))


def _refuse_if_none(tried: Sequence[Tried]) -> None:
    """Refuse a comparison in which nothing has a plan; what is wrong with all of them is told once."""
    if any(one.plan is not None for one in tried):
        return
    findings: dict[Finding, None] = {}
    for one in tried:
        if isinstance(one.fault, NoPlanError):
            remedies = [text for each in tried if isinstance(each.fault, NoPlanError) for text in each.fault.remedies]
            raise NoPlanError(
                "None of these hours has a plan.",
                [f"{each.name}: {fault_words(each)}" for each in tried],
                dict.fromkeys(remedies),
            )
        if one.fault is not None:
            findings |= dict.fromkeys(one.fault.findings)
    raise InputError(findings)


def fault_words(tried: Tried) -> str:
    """Return why there is no plan, in one line; nothing where there is one."""
    if isinstance(tried.fault, NoPlanError):
        return "; ".join([tried.fault.headline.rstrip("."), *tried.fault.reasons])
    return "" if tried.fault is None else " ".join(str(finding) for finding in tried.fault.findings)


def figures_of(plan: Plan) -> HourFigures:
    """Return a plan's figures."""
    passes = [timed for timed in plan.legs if timed.leg.kind == "pass"]
    shares = np.sum([_shares(plan.area, timed) for timed in passes], axis=0)
    met = [
        float(np.hypot(*timed.leg.current_mps.T).max())
        for timed in plan.legs
        if timed.leg.kind != "run" and timed.leg.current_mps is not None and current_known(plan.area, timed)
    ]
    return HourFigures(
        on_line_s=float(shares.sum()),
        with_s=float(shares[0]),
        against_s=float(shares[1]),
        slack_s=float(shares[2]),
        uncounted_s=float(shares[3]),
        away_s=elapsed(plan.legs[0].start, plan.legs[-1].end).total_seconds(),
        passes=len(passes),
        one_way=len([timed for timed in passes if timed.leg.pattern == "one-way"]),
        running_s=plan.totals.running.total_seconds(),
        fuel_l=plan.totals.fuel_l,
        strongest_mps=max(met, default=None),
        dark_s=_dark_s(plan),
    )


def _shares(area: Area, timed: TimedLeg) -> FloatArray:
    """Return for how long a pass runs with the current, against it, near slack and without one counted, (4,) s."""
    leg = timed.leg
    if leg.clock_s is None or leg.current_mps is None or not current_known(area, timed):
        return np.array([0.0, 0.0, 0.0, elapsed(timed.start, timed.end).total_seconds()])
    from spotmap.tidepass import along_mps  # noqa: PLC0415  a plan in still water need not wait for it

    along, took_s = along_mps(leg.xy, leg.current_mps), np.diff(leg.clock_s)
    fair, foul = along > NEAR_SLACK_MPS, along < -NEAR_SLACK_MPS
    return np.array([took_s[fair].sum(), took_s[foul].sum(), took_s[~fair & ~foul].sum(), 0.0])


def _dark_s(plan: Plan) -> float:
    """Return for how long gear is down in the dark, by the minute."""
    down = {timed.seq for timed in plan.legs if timed.leg.kind != "run"}
    dark = np.isin(plan.day.seq, list(down)) & (plan.day.light == 0)
    took_s = np.diff([moment.timestamp() for moment in plan.day.moments])
    return float(took_s[dark[:-1]].sum())


def hours_words(tried: Sequence[Tried], show: Show) -> Iterator[str]:
    """Yield the figures of several hours as tables, a plan a column; then why some have none, and which is best."""
    for first in range(0, len(tried), _COLUMNS):
        yield from _table(tried[first : first + _COLUMNS], show)
        yield ""
    for one in tried:
        if one.fault is not None:
            yield f"{one.name} {_missing(one)}: {fault_words(one)}"
    yield best_words(tried)


def _missing(tried: Tried) -> str:
    return "no plan" if isinstance(tried.fault, NoPlanError) else "not planned"


def _table(tried: Sequence[Tried], show: Show) -> Iterator[str]:
    def row(name: str, tell: Callable[[Plan, HourFigures], str], without: Sequence[str] = ()) -> str:
        cells = [
            (without[index] if without else _NOTHING)
            if one.plan is None or one.figures is None
            else tell(one.plan, one.figures)
            for index, one in enumerate(tried)
        ]
        return table_line(name, cells)

    def shared(of_s: Callable[[HourFigures], float]) -> Callable[[Plan, HourFigures], str]:
        return lambda _, one: _minutes(of_s(one)) if one.counts_current else _NOTHING

    slack = f"  near slack, {format_quantity(NEAR_SLACK_MPS, show.speed, 1)}"
    yield table_line("day", [f"{one.day}" for one in tried])
    yield table_line("start", [f"{one.start:%H:%M}" for one in tried])
    yield row("leaves", lambda plan, _: _ends(plan)[0])
    yield row("is back", lambda plan, _: _ends(plan)[1])
    yield row("on the line", lambda _, one: _minutes(one.on_line_s), [_missing(one) for one in tried])
    yield row("  with the current", shared(lambda one: one.with_s))
    yield row("  against it", shared(lambda one: one.against_s))
    yield row(slack, shared(lambda one: one.slack_s))
    yield row(f"  {_UNCOUNTED}", lambda _, one: _minutes(one.uncounted_s))
    yield row("on the line in an hour", lambda _, one: f"{60.0 * one.on_line_s / one.away_s:.1f} min")
    yield row("passes", lambda _, one: str(one.passes))
    yield row("  one-way", lambda _, one: str(one.one_way))
    yield row("running", lambda _, one: elapsed_words(one.running_s))
    yield row("fuel", lambda _, one: _fuel(one.fuel_l))
    yield row("tide at the start", lambda plan, _: _tide(plan, 0, show))
    yield row("tide at the end", lambda plan, _: _tide(plan, -1, show))
    yield row("strongest current met", lambda _, one: _strongest(one.strongest_mps, show))
    yield row("gear down in the dark", lambda _, one: _minutes(one.dark_s))
    yield row("warnings", lambda plan, _: str(len(plan.warnings)))


def _ends(plan: Plan) -> tuple[str, ...]:
    ends: list[datetime] = [plan.legs[0].start, plan.legs[-1].end]
    return tuple(clock_words(ends))


def _minutes(seconds: float) -> str:
    return f"{round(seconds / _MINUTE_S)} min"


def _fuel(fuel_l: float | None) -> str:
    return _NOTHING if fuel_l is None else f"{format_quantity(fuel_l, 'L')} ({format_quantity(fuel_l, 'gal')})"


def _tide(plan: Plan, at: int, show: Show) -> str:
    if plan.area.tide is None:
        return "no tide counted"
    return tide_words(float(plan.day.tide_m[at]), float(plan.day.rising_mps[at]), show.depth)


def _strongest(speed_mps: float | None, show: Show) -> str:
    return _UNCOUNTED if speed_mps is None else format_quantity(speed_mps, show.speed, 1)


def best_words(tried: Sequence[Tried]) -> str:
    """Return which hours give the most minutes on the line with the tide, and how much more than the next.

    Minutes are compared as they are told, in whole ones. Where no plan counts a current all minutes on the line count;
    where only some do, the others are not ranked.
    """
    planned = [(one.name, one.figures) for one in tried if one.figures is not None]
    counted = [(name, figures) for name, figures in planned if figures.counts_current]
    minutes = {name: round(figures.with_tide_s / _MINUTE_S) for name, figures in counted}
    what = "on the line with the tide"
    if not counted:
        minutes = {name: round(figures.on_line_s / _MINUTE_S) for name, figures in planned}
        what = f"on the line ({_UNCOUNTED})"
    most = max(minutes.values())
    best = [name for name, value in minutes.items() if value == most]
    rest = max((value for value in minutes.values() if value < most), default=None)
    following = [name for name, value in minutes.items() if value == rest]
    each = " each" if len(best) > 1 else ""
    told = f"Best: {' and '.join(best)}{' tie' if each else ''}: {most} min {what}{each}"
    if rest is not None:
        told += f", {most - rest} min more than the next ({' and '.join(following)})"
    elif not each:
        told += "; nothing to compare it with"
    unranked = [name for name, _ in planned if name not in minutes]
    return f"{told}." + (f" Not ranked, {_UNCOUNTED}: {' and '.join(unranked)}." if unranked else "")
