"""A small hand-made plan for the tests of what spotmap writes: no planner, no files, shapes in closed form.

The sea floor is a cone round an island, so every depth line is a circle; passes lie on the 30 m and 35 m
lines. Some texts carry markup on purpose.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from shapely import LineString, MultiLineString, MultiPolygon, Point, Polygon, box

from layers.model import (
    Area,
    Bounds,
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
)
from layers.projection import LocalProjection
from spotmap.model import (
    Boat,
    ClosedWater,
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


def _legs(projection: LocalProjection, boat: Boat, departure: datetime) -> tuple[TimedLeg, ...]:
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
    legs = (
        Leg("run", out, "Run 1", speed_mps=boat.run_speed_mps),
        Leg("pass", east, "P1", 0, "loop", 30.0, off, note="on the 98 ft line"),
        Leg("turn", east_turn, "T1", 0, "loop", turn_side="starboard"),
        Leg("pass", west, "P2", 0, "loop", 35.0, off),
        Leg("turn", west_turn, "T2", 0, "loop", turn_side="starboard"),
        Leg("run", out[::-1].copy(), "Run 2"),
    )
    timed = []
    start = departure
    for seq, leg in enumerate(legs, start=1):
        steps = np.diff(leg.xy, axis=0)
        length = float(np.hypot(*steps.T).sum())
        speed = boat.run_speed_mps if leg.kind == "run" else boat.troll_speed_mps
        end = start + timedelta(seconds=length / speed)
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


def _swept(legs: tuple[TimedLeg, ...]) -> Sweep:
    """Lure tracks that run along with the boat, 8 m to one side and 6 m to the other."""
    down = [one for one in legs if one.leg.kind != "run"]
    tracks = tuple(
        LureTrack(rod, one.seq, one.leg.xy + shift, 17.5, 19.0, 1.1)
        for one in down
        for rod, shift in (("port rigger", np.array([0.0, 8.0])), ("long <flat> line", np.array([0.0, -6.0])))
    )
    return Sweep(tracks, (), (), (), 9.5)


def build_plan(
    *,
    lon0_deg: float = -140.0,
    lat0_deg: float = 47.0,
    zone: str = "Etc/GMT+10",
    departure: datetime = datetime(2026, 8, 14, 5, 30),  # noqa: DTZ001 -- put into `zone` below
    has_grounds: bool = False,
) -> Plan:
    """Return a plan of two passes, two turns and two runs round the position given, local (0, 0)."""
    projection = LocalProjection(lon0_deg, lat0_deg)
    area = _area(projection, zone=zone, has_grounds=has_grounds)
    start = departure.replace(tzinfo=area.timezone)
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
    legs = _legs(projection, boat, start)
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
        sun=Sun(
            start.replace(hour=5, minute=10),
            start.replace(hour=5, minute=41),
            start.replace(hour=19, minute=58),
            None,
        ),
        magnetic_variation_deg=15.5,
        swept=_swept(legs),
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
