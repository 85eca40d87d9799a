"""A small hand-made plan for the tests of what spotmap writes: no planner, no files, shapes in closed form.

The sea floor is a cone round an island, so every depth line is a circle; passes lie on the 30 m and 35 m
lines. Some texts carry markup on purpose.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from shapely import LineString, MultiLineString, MultiPolygon, Point, Polygon, box

from layers.model import (
    Area,
    Bounds,
    Current,
    Depth,
    FloatArray,
    Hazard,
    Lane,
    Mark,
    Role,
    Rule,
    Season,
    Show,
    Source,
    Station,
    Tide,
)
from layers.projection import LocalProjection
from spotmap.model import (
    Boat,
    ClosedWater,
    DayTable,
    Leg,
    Limits,
    LureTrack,
    OffLine,
    Plan,
    RigStep,
    Rod,
    Setting,
    ShorterSetback,
    Sun,
    Sweep,
    Tackle,
    TideChoice,
    TimedLeg,
    Totals,
    TowedRod,
    Trip,
    TurningRadius,
    Work,
    WorkReport,
)

MARKUP = "<img src=x onerror=alert(1)> & {{7*7}}"
"""A closure's name: HTML and a template that must both show as text."""
MARK_MARKUP = "{{7*7}} <img src=x onerror=alert(1)> `${1}`"
"""A mark's name."""

BOX: Bounds = (-4000.0, -3500.0, 4000.0, 4500.0)
CENTRE = Point(0.0, 2000.0)
ISLAND_RADIUS_M = 1400.0
SLOPE = 0.05
TURN_RADIUS_M = 50.0
HOME = Point(-2600.0, 600.0)
SPREAD = np.radians([-110.0, -70.0])
SEMIDIURNAL_S = 12.42 * 3600.0
STRONGEST_MPS = 0.9
EVENT_AFTER = timedelta(minutes=12)
KNOWN_FROM_X = -3200.0
"""West of this the fixture's current is not known."""


def arc(centre: tuple[float, float], radius: float, first: float, last: float) -> FloatArray:
    """Return an arc with vertices at most a metre apart, (n, 2)."""
    angles = np.linspace(first, last, int(np.ceil(abs(last - first) * radius)) + 1)
    return np.column_stack([centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles)])


@dataclass(frozen=True)
class ConeDepth:
    """Depth that grows outwards from the island: analytic answers to `layers.model.Depth`."""

    bounds: Bounds = BOX

    def depth_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        west, south, east, north = self.bounds
        depth = (np.hypot(x - CENTRE.x, y - CENTRE.y) - ISLAND_RADIUS_M) * SLOPE
        known = (x >= west) & (x <= east) & (y >= south) & (y <= north) & (depth >= 0)
        return np.where(known, depth, np.nan)

    def depth_line(self, depth_m: float, within: Bounds | None = None) -> MultiLineString:
        ring = LineString(arc((CENTRE.x, CENTRE.y), ISLAND_RADIUS_M + depth_m / SLOPE, -np.pi, np.pi))
        inside = ring.intersection(box(*self.bounds))
        inside = inside if within is None else inside.intersection(box(*within))
        return MultiLineString([part for part in getattr(inside, "geoms", [inside]) if not part.is_empty])

    def deeper_than(self, depth_m: float, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        del cell_m
        hole = CENTRE.buffer(ISLAND_RADIUS_M + max(depth_m, 0.0) / SLOPE, quad_segs=64)
        water = box(*self.bounds).difference(hole)
        water = water if within is None else water.intersection(box(*within))
        return MultiPolygon([part for part in getattr(water, "geoms", [water]) if not part.is_empty])

    def known(self, within: Bounds | None = None, cell_m: float | None = None) -> MultiPolygon:
        return self.deeper_than(0.0, within, cell_m)


@dataclass(frozen=True)
class CosineTide:
    """High water at a moment, low water half a tide later; a little higher in the east."""

    high_s: float

    @property
    def stations(self) -> tuple[Station, ...]:
        return (Station("Merrow <Harbor>", HOME, None),)

    @property
    def reach_s(self) -> tuple[float, float]:
        return -np.inf, np.inf

    def height_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        x, _, time_s = np.broadcast_arrays(x, y, time_s)
        return 1.5 + 1.4 * np.cos(2 * np.pi * (time_s - self.high_s) / SEMIDIURNAL_S) + 1e-5 * x

    def rising_mps(self, time_s: FloatArray) -> FloatArray:
        turn = 2 * np.pi / SEMIDIURNAL_S
        return -1.4 * turn * np.sin(turn * (time_s - self.high_s))

    def least_m(self, start_s: float, end_s: float) -> float:
        del start_s, end_s
        return 0.1


@dataclass(frozen=True)
class SineCurrent:
    """Slack at a moment, then a flood that sets round the island: strongest at x = 0, not known far west."""

    slack_s: float

    @property
    def stations(self) -> tuple[Station, ...]:
        return (Station("Merrow Narrows", Point(0.0, -400.0), 3200.0),)

    @property
    def reach_s(self) -> tuple[float, float]:
        return -np.inf, np.inf

    def flow_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
        x, y, time_s = np.broadcast_arrays(x, y, time_s)
        speed = STRONGEST_MPS * np.sin(2 * np.pi * (time_s - self.slack_s) / SEMIDIURNAL_S)
        speed = speed * (0.6 + 0.4 * np.exp(-((x / 2500.0) ** 2)))
        way = np.arctan2(y - CENTRE.y, x - CENTRE.x) + np.pi / 2
        flow = speed[..., None] * np.stack([np.cos(way), np.sin(way)], axis=-1)
        return np.where((x < KNOWN_FROM_X)[..., None], np.nan, flow)

    def known(self, within: Bounds | None = None) -> MultiPolygon:
        water = box(KNOWN_FROM_X, BOX[1], BOX[2], BOX[3])
        return MultiPolygon([water if within is None else water.intersection(box(*within))])


def _source(role: Role, file: str) -> Source:
    return Source(role, file, f"{len(file):064x}", date(2026, 3, 1), "invented for the tests")


def _area(projection: LocalProjection, *, zone: str, has_grounds: bool) -> Area:
    always = Season((1, 1), (12, 31), frozenset(), None)
    summer = Season((7, 1), (9, 15), frozenset({4, 5, 6}), (time(7, 0), time(20, 0)))
    closure, hazard, lane, mark = (
        _source("closure", "closures.gpkg"),
        _source("hazard", "hazards.geojson"),
        _source("lane", "lanes.geojson"),
        _source("mark", "marks.geojson"),
    )
    sources = (_source("depth", "depth.tif"), _source("land", "land.gpkg"), closure, hazard, lane, mark)
    depth: Depth = ConeDepth()
    ground = Rule(
        "ground",
        "Inner Ground",
        MultiPolygon([box(-3500, -2500, 2500, 4000)]),
        None,
        frozenset({"chinook"}),
        frozenset(),
        always,
        0.0,
        "Invented Code 3",
        _source("ground", "grounds.gpkg"),
    )
    return Area(
        name="Merrow Sound",
        invented=True,
        timezone=ZoneInfo(zone),
        depth_datum="MLLW",
        show=Show("ft", "NM", "kn"),
        folder=Path("merrow"),
        projection=projection,
        depth=depth,
        land=MultiPolygon([CENTRE.buffer(ISLAND_RADIUS_M, quad_segs=32), box(-4000, -3500, -2700, 2500)]),
        closures=(
            Rule(
                "closure",
                MARKUP,
                MultiPolygon([_ringed_reserve()]),
                "fishing",
                frozenset(),
                frozenset(),
                always,
                20.0,
                "Invented Code 1 <b>(a)</b>",
                closure,
            ),
            Rule(
                "closure",
                "Gull Rookery",
                MultiPolygon([_rookery()]),
                "entry",
                frozenset({"chinook", "coho"}),
                frozenset({"troll"}),
                summer,
                0.0,
                "Invented Code 2",
                closure,
            ),
        ),
        grounds=(ground,) if has_grounds else (),
        has_grounds=has_grounds,
        hazards=(
            Hazard("Broken Spar", "wreck", Point(-300, -500), 40.0, hazard),
            Hazard("Tooth", "rock", Point(1700, -900).buffer(60), None, hazard),
        ),
        lanes=(
            Lane(
                "Merrow Ferry",
                "ferry route",
                LineString([(-3000, -1500), (4000, -2300)]),
                100.0,
                "pass",
                lane,
            ),
        ),
        marks=(
            Mark("Merrow Harbor", "harbor", "fuel <i>and</i> ice", False, HOME, mark),
            Mark(MARK_MARKUP, "spot", "'quoted' \"note\"", False, Point(0, 0), mark),
            Mark("Quiet Corner", "spot", "only ours", True, Point(600, -250), mark),
        ),
        sources=sources + ((ground.source,) if has_grounds else ()),
        warnings=(),
    )


def _ringed_reserve() -> Polygon:
    """Return a closure with a hole, its rings turning the wrong way for GeoJSON."""
    return Polygon(
        [(200, -900), (200, -400), (900, -400), (900, -900)], holes=[[(400, -750), (600, -750), (600, -550)]]
    )


def _rookery() -> Polygon:
    return Point(1600, -200).buffer(250)


def _tracks(boat: Boat, laps: int) -> tuple[Leg, ...]:
    centre = (CENTRE.x, CENTRE.y)
    first, last = SPREAD
    inner, outer = ISLAND_RADIUS_M + 30.0 / SLOPE, ISLAND_RADIUS_M + 35.0 / SLOPE
    middle = (inner + outer) / 2
    off = OffLine(0.2, 1.1, 2.4, 30.1, 29.5, 31.0)
    east = arc(centre, inner, first, last)
    west = arc(centre, outer, last, first)
    east_turn, west_turn = (
        arc(
            (centre[0] + middle * np.cos(a), centre[1] + middle * np.sin(a)),
            TURN_RADIUS_M,
            begin,
            begin - np.pi,
        )
        for a, begin in ((last, last + np.pi), (first, first))
    )
    east_turn[[0, -1]] = east[-1], west[0]
    west_turn[[0, -1]] = west[-1], east[0]
    out = np.array([(HOME.x, HOME.y), (-2000.0, -300.0), tuple(east[0])])
    lap = (
        Leg("pass", east, "P1", 0, "loop", 30.0, off, note="on the 98 ft line"),
        Leg("turn", east_turn, "T1", 0, "loop", turn_side="starboard"),
        Leg("pass", west, "P2", 0, "loop", 35.0, off),
        Leg("turn", west_turn, "T2", 0, "loop", turn_side="starboard"),
    )
    numbered = (
        replace(leg, label=f"{leg.label[0]}{2 * done + int(leg.label[1])}") for done in range(laps) for leg in lap
    )
    return (
        Leg("run", out, "Run 1", speed_mps=boat.run_speed_mps),
        *numbered,
        Leg("run", out[::-1].copy(), "Run 2"),
    )


def lengths_along(xy: FloatArray) -> FloatArray:
    """Return how far along a track each vertex is, (n,)."""
    return np.append(0.0, np.cumsum(np.hypot(*np.diff(xy, axis=0).T)))


def _in_current(leg: Leg, water_mps: float, start_s: float, current: SineCurrent) -> Leg:
    """Return a leg that is held to its track at a speed through the water, with its clock."""
    along = lengths_along(leg.xy)
    fine = np.unique(np.append(along, np.linspace(0.0, along[-1], int(along[-1] / 40.0) + 2)))
    xy = np.column_stack([np.interp(fine, along, leg.xy[:, i]) for i in (0, 1)])
    way = np.diff(xy, axis=0)
    way /= np.hypot(*way.T)[:, None]
    clock = fine / water_mps
    for _ in range(20):
        flow = current.flow_at(*xy.T, start_s + clock)
        middle = (flow[:-1] + flow[1:]) / 2
        ahead = (middle * way).sum(axis=1)
        speed = ahead + np.sqrt(water_mps**2 - (middle**2).sum(axis=1) + ahead**2)
        clock = np.append(0.0, np.cumsum(np.diff(fine) / speed))
    return replace(leg, xy=xy, clock_s=clock, current_mps=flow)


def _legs(
    projection: LocalProjection, boat: Boat, departure: datetime, laps: int, current: SineCurrent | None
) -> tuple[TimedLeg, ...]:
    timed = []
    start = departure
    for seq, still in enumerate(_tracks(boat, laps), start=1):
        water_mps = boat.run_speed_mps if still.kind == "run" else boat.troll_speed_mps
        leg = still if current is None else _in_current(still, water_mps, start.timestamp(), current)
        steps = np.diff(leg.xy, axis=0)
        length = float(np.hypot(*steps.T).sum())
        speed = water_mps if leg.clock_s is None else length / float(leg.clock_s[-1])
        end = (start.astimezone(UTC) + timedelta(seconds=length / speed)).astimezone(departure.tzinfo)
        headings = np.arctan2(steps[[0, -1], 1], steps[[0, -1], 0])
        true = projection.true_course_deg(leg.xy[[0, -1], 0], leg.xy[[0, -1], 1], headings)
        begin_deg, end_deg = float(true[0]), float(true[1])
        timed.append(
            TimedLeg(
                seq,
                leg,
                start,
                end,
                length,
                speed,
                begin_deg,
                end_deg,
                (begin_deg - 15.5) % 360,
                (end_deg - 15.5) % 360,
                length / speed / 3600 * 3.8,
            )
        )
        start = end
    return tuple(timed)


def clock_of(leg: TimedLeg) -> FloatArray:
    """Return the seconds from a leg's start at which each vertex is reached, (n,)."""
    return lengths_along(leg.leg.xy) / leg.speed_mps if leg.leg.clock_s is None else leg.leg.clock_s


def _swept(legs: tuple[TimedLeg, ...]) -> Sweep:
    """Lure tracks that run along with the boat, 8 m to one side and 6 m to the other."""
    down = [one for one in legs if one.leg.kind != "run"]
    tracks = tuple(
        LureTrack(rod, one.seq, one.leg.xy + shift, clock_of(one), 17.5, 19.0, 1.1)
        for one in down
        for rod, shift in (("port rigger", np.array([0.0, 8.0])), ("long <flat> line", np.array([0.0, -6.0])))
    )
    return Sweep(tracks, (), (), (), 9.5)


def _day(area: Area, legs: tuple[TimedLeg, ...], sun: Sun) -> DayTable:
    """Return the trip by the minute, worked out leg by leg."""
    start, end = legs[0].start.astimezone(UTC), legs[-1].end.astimezone(UTC)
    count = int((end - start).total_seconds() // 60) + 1
    moments = tuple((start + timedelta(minutes=n)).astimezone(area.timezone) for n in range(count))
    time_s = np.array([moment.timestamp() for moment in moments])
    rows = np.searchsorted([leg.start.timestamp() for leg in legs], time_s, side="right") - 1
    xy = np.array(
        [
            [np.interp(at - legs[row].start.timestamp(), clock_of(legs[row]), legs[row].leg.xy[:, i]) for i in (0, 1)]
            for at, row in zip(time_s, rows, strict=True)
        ]
    )
    unknown = np.full(count, np.nan)
    down = np.array([legs[row].leg.kind != "run" for row in rows])
    tide, current = area.tide, area.current
    middle = np.mean([leg.leg.xy.mean(axis=0) for leg in legs if leg.leg.kind == "pass"], axis=0)
    assert sun.dawn is not None
    assert sun.sunrise is not None
    light = np.array([int(moment >= sun.dawn) + int(moment >= sun.sunrise) for moment in moments])
    return DayTable(
        moments=moments,
        seq=np.array([legs[row].seq for row in rows]),
        xy=xy,
        tide_m=unknown if tide is None else tide.height_at(*xy.T, time_s),
        rising_mps=tide.rising_mps(time_s) if isinstance(tide, CosineTide) else unknown,
        flow_mps=np.full((count, 2), np.nan) if current is None else current.flow_at(*xy.T, time_s),
        work_flow_mps=np.full((count, 2), np.nan) if current is None else current.flow_at(*middle, time_s),
        charted_m=area.depth.depth_at(*xy.T),
        gear_m=np.where(down, 18.29, np.nan),
        light=light,
        events=((moments[0] + EVENT_AFTER, f"{MARKUP} opens"),),
    )


def _choices(legs: tuple[TimedLeg, ...], current: SineCurrent) -> tuple[TideChoice, ...]:
    down = [leg for leg in legs if leg.leg.kind != "run"]
    edges = [down[0].start, down[len(down) // 2].start, down[-1].end]
    said = ("loop", 41.0, 28.0, "weak: both ways make way"), ("one-way", None, 33.5, "<strong> against it")
    return tuple(
        TideChoice(
            since,
            until,
            pattern,
            tuple(current.flow_at(0.0, 0.0, np.float64(since.timestamp() + until.timestamp()) / 2).tolist()),
            0.8,
            loop,
            one_way,
            words,
        )
        for since, until, (pattern, loop, one_way, words) in zip(edges, edges[1:], said, strict=False)
    )


def build_plan(  # noqa: PLR0913 -- each is a thing that some test varies
    *,
    lon0_deg: float = -140.0,
    lat0_deg: float = 47.0,
    zone: str = "Etc/GMT+10",
    departure: datetime = datetime(2026, 8, 14, 5, 30),  # noqa: DTZ001 -- put into `zone` below
    has_grounds: bool = False,
    moving: bool = False,
    laps: int = 1,
) -> Plan:
    """Return a plan of laps of two passes and two turns between two runs round the position given, local (0, 0).

    `moving` adds a tide that turns 20 minutes after departure and a current that is slack 30 minutes after it; a
    plan without has neither, nor clocks on its legs.
    """
    projection = LocalProjection(lon0_deg, lat0_deg)
    area = _area(projection, zone=zone, has_grounds=has_grounds)
    start = departure.replace(tzinfo=area.timezone)
    tide: Tide | None = CosineTide(start.timestamp() + 1200.0) if moving else None
    current: Current | None = SineCurrent(start.timestamp() + 1800.0) if moving else None
    area = replace(area, tide=tide, current=current)
    boat = Boat(1.389, 9.26, 12.0, 0.914, 3.785, 34.07)
    rods = (
        Rod(
            *("port rigger", "downrigger", "port", 1.83, 7.62),
            Tackle(48.5, 0.0037, 0.0009, 0.032, 1.2, 0.01, 120.0),
            (Setting(start, 18.29, None),),
        ),
        Rod(
            *("long <flat> line", "flat line", "stern", 0.0, 19.0),
            Tackle(0.9, 0.0002, 0.0005, 0.0, 1.2, 0.01, 19.0),
            (Setting(start, None, None),),
        ),
    )
    towed = (
        TowedRod(rods[0], 21.5, 18.29, 10.9, 0.75, 19.6, 21.5, 21.9),
        TowedRod(rods[1], 19.0, 6.1, 17.4, 1.2, 6.6, 19.0, 26.3),
    )
    works = (Work("loop", 30.0, 35.0, Point(0, 0), MARK_MARKUP, 1400.0, None, 2),)
    trip = Trip(
        Path("trip.toml"),
        area.folder,
        start.date(),
        start,
        6.0,
        HOME,
        "Merrow Harbor",
        "chinook",
        "troll",
        boat,
        Limits(0.75, 3.05, 50.0, 60.0, 0.77, 1.83),
        rods,
        works,
    )
    sine = current if isinstance(current, SineCurrent) else None
    legs = _legs(projection, boat, start, laps, sine)
    sun = Sun(
        start.replace(hour=5, minute=10),
        start.replace(hour=5, minute=41),
        start.replace(hour=19, minute=58),
        None,
    )
    spans = {kind: timedelta(0) for kind in ("run", "pass", "turn")}
    for leg in legs:
        spans[leg.leg.kind] += leg.end - leg.start
    outside = (
        (
            ClosedWater(
                "outside the open grounds",
                "fishing",
                "Invented Code 3",
                box(*BOX).difference(area.grounds[0].shape),
                50.0,
                True,
                (),
                "all year",
            ),
        )
        if has_grounds
        else ()
    )
    off = OffLine(0.2, 1.1, 2.4, 32.6, 29.5, 36.0)
    return Plan(
        area=area,
        trip=trip,
        radius=TurningRadius(
            48.0,
            "long <flat> line",
            towed,
            (RigStep(start, towed),),
            (ShorterSetback(19.0, 48.0, 352.0), ShorterSetback(12.0, 30.0, 220.0), ShorterSetback(9.0, 24.0, 176.0)),
        ),
        legs=legs,
        works=(
            WorkReport(
                0,
                f"loop on the 98 ft line near {MARK_MARKUP}",
                1482.0,
                1396.3,
                2,
                off,
                (f"0.05 NM cut: '{MARKUP}' closure, 50 m standoff",),
                ("turn to starboard: deep side first",),
                () if sine is None else _choices(legs, sine),
            ),
        ),
        closed=(
            ClosedWater(
                MARKUP,
                "fishing",
                "Invented Code 1 <b>(a)</b>",
                MultiPolygon([_ringed_reserve()]),
                50.0,
                True,
                (),
                "all year",
            ),
            ClosedWater(
                "Gull Rookery",
                "entry",
                "Invented Code 2",
                MultiPolygon([_rookery()]),
                50.0,
                False,
                (start.replace(hour=7, minute=0),),
                "1 July to 15 September, Fri-Sun, 07:00-20:00",
            ),
            *outside,
        ),
        sun=sun,
        magnetic_variation_deg=15.5,
        swept=_swept(legs),
        day=_day(area, legs, sun),
        totals=Totals(
            spans["pass"],
            spans["turn"],
            spans["run"],
            sum(leg.length_m for leg in legs),
            sum(leg.fuel_l or 0.0 for leg in legs),
        ),
        warnings=("depth.tif: readings are from <2019>",),
        cautions=("This is a plan, not for navigation.", "Invented water: do not go there."),
    )
