"""A second opinion on a plan, written apart from the planner.

`faults` recomputes from plan.geojson, the trip and the area's own files what the plan promises. What is
taken from files.md and physics.md is stated at each check; where those leave room, the stricter reading is
taken.
"""

from __future__ import annotations

import hashlib
import json
import math
from datetime import datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from scipy.integrate import solve_ivp

from tests.independent_case import KEEP_M, Case, Leg, Rule, contour, line_coordinates
from tests.independent_moving import MOVING_CHECKS
from tests.independent_units import LENGTH, MASS, SPEED, position, quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

WATER_KG_M3 = 1025.0
LEAD_KG_M3 = 11340.0
GRAVITY_MPS2 = 9.80665
PLACE_M = 0.05  # two ends are the same place
DEPTH_M = 0.05
RUN_DEPTH_M = 0.1
CHORD_M = 12.0
HEADING_DEG = 2.0


def faults(plan_folder: Path, trip_file: Path) -> list[str]:
    """Return every promise that the plan breaks, in words; empty when it keeps them all."""
    case = Case(plan_folder, trip_file)
    checks = (*CHECKS, *MOVING_CHECKS) if case.moving else CHECKS
    return [text for check in checks for text in check(case)]


def check_head(case: Case) -> Iterator[str]:
    """The header says what trip and area say."""
    head, trip = case.head, case.trip
    wanted = {
        "plan_version": 1,
        "area": case.area["name"],
        "date": str(trip["date"]),
        "timezone": case.area["timezone"],
    }
    for key, value in wanted.items():
        if head[key] != value:
            yield f"head: {key} is {head[key]!r}, the input says {value!r}"
    numbers = {
        "troll_speed_mps": (head["troll_speed_mps"], quantity(trip["boat"]["troll_speed"], SPEED)),
        "boat_turn_radius_m": (head["boat_turn_radius_m"], quantity(trip["boat"]["turn_radius"], LENGTH)),
        "lure_speed_floor": (head["limits"]["lure_speed_floor"], trip["limits"]["lure_speed_floor"]),
    }
    for key in ("bottom_clearance", "closure_standoff", "shore_standoff"):
        numbers[key] = (head["limits"][f"{key}_m"], case.limit(key))
    for key, (found, value) in numbers.items():
        if not math.isclose(found, value, rel_tol=2e-3):
            yield f"head: {key} is {found}, the trip says {value}"


def check_sources(case: Case) -> Iterator[str]:
    """Each layer's file is listed with its own digest."""
    listed = {source["file"]: source for source in case.head["sources"]}
    for layer in case.area["layer"]:
        source = listed.get(layer["file"])
        if source is None:
            yield f"sources: {layer['file']} is missing"
            continue
        if source["sha256"] != hashlib.sha256((case.folder / layer["file"]).read_bytes()).hexdigest():
            yield f"sources: {layer['file']} has another sha256"
        if str(source.get("as_of", "")) != str(layer.get("as_of", "")):
            yield f"sources: {layer['file']} is dated {source.get('as_of')}, not {layer.get('as_of')}"


def cable(rod: dict[str, Any], length_m: float, speed_mps: float) -> tuple[float, float, float]:
    """Return depth, layback and surface angle of a cable.

    The weightless cable without tangential drag in closed form, any other integrated from the ball up
    (source: physics.md; Pode 1951).
    """
    weight, drag = rod["weight_n"], 0.5 * WATER_KG_M3 * rod["drag_area_m2"] * speed_mps**2
    normal = 0.5 * WATER_KG_M3 * rod["normal_drag"] * rod["line_diameter_m"] * speed_mps**2
    heavy, slide = rod["line_weight_n_per_m"], rod["tangential_drag"]
    if heavy == 0 and slide == 0:
        a = math.hypot(weight, drag) / normal
        low = drag / weight
        high = low + length_m / a
        return (
            a * (math.asinh(high) - math.asinh(low)),
            a * (math.hypot(1, high) - math.hypot(1, low)),
            math.degrees(math.atan(high)),
        )
    along = 0.5 * WATER_KG_M3 * math.pi * slide * rod["line_diameter_m"] * speed_mps**2

    def slope(_: float, y: np.ndarray) -> list[float]:
        angle, tension = y[0], y[1]
        sin, cos = math.sin(angle), math.cos(angle)
        return [(normal * cos**2 - heavy * sin) / tension, heavy * cos + along * sin**2, cos, sin]

    start = [math.atan2(drag, weight), math.hypot(weight, drag), 0.0, 0.0]
    end = solve_ivp(slope, (0.0, length_m), start, rtol=1e-9, atol=1e-9).y[:, -1]
    return float(end[2]), float(end[3]), math.degrees(end[0])


def check_rods(case: Case) -> Iterator[str]:
    """Each rod is the trip's, and its depth, layback and radius follow from its other numbers."""
    asked = {rod["name"]: rod for rod in case.trip["rod"]}
    if sorted(asked) != sorted({rod["name"] for rod in case.rods}):
        yield f"rods: {[rod['name'] for rod in case.rods]}, the trip has {sorted(asked)}"
        return
    floor = case.head["limits"]["lure_speed_floor"]
    for rod in case.rods:
        trip_rod, flat = asked[rod["name"]], rod["kind"] == "flat line"
        where = f"rod {rod['name']}"
        for key in ("kind", "side"):
            if rod[key] != trip_rod[key]:
                yield f"{where}: {key} is {rod[key]!r}, the trip says {trip_rod[key]!r}"
        mass = quantity(trip_rod["sinker" if flat else "ball"], MASS)
        weight = mass * GRAVITY_MPS2 * (1 - WATER_KG_M3 / LEAD_KG_M3)
        numbers = [("weight_n", weight, 0.015)]
        # a plan may fish a rod shallower than asked, when it says so: its gear would come too near the bottom
        raised = any(text.startswith(f"Rod '{rod['name']}' is raised") for text in case.head["warnings"])
        set_by = () if raised else ("depth", "cable_out")
        for key in ("depth", "cable_out"):
            if raised and key in trip_rod and rod[f"{key}_m"] > quantity(trip_rod[key], LENGTH):
                yield f"{where}: said to be raised, yet {key} is more than the trip asks"
        keys = [key for key in ("reach", "setback", *set_by) if key in trip_rod]
        numbers += [(f"{key}_m", quantity(trip_rod[key], LENGTH), 0.005) for key in keys]
        out = rod["setback_m"] if flat else rod["cable_out_m"]
        depth, layback, angle = cable(rod, out, case.head["troll_speed_mps"])
        chain = layback if flat else math.hypot(layback, rod["setback_m"])
        radius = chain / math.sqrt(1 - floor**2) + rod["reach_m"]
        numbers += [
            ("depth_m", depth, 0.005),
            ("layback_m", layback, 0.005),
            ("radius_needed_m", radius, 0.005),
        ]
        for key, value, share in numbers:
            if not math.isclose(rod[key], value, rel_tol=share, abs_tol=0.01):
                yield f"{where}: {key} is {rod[key]:.3f}, recomputed {value:.3f}"
        if abs(rod["cable_angle_deg"] - angle) > 0.5:
            yield f"{where}: cable_angle_deg is {rod['cable_angle_deg']:.1f}, recomputed {angle:.1f}"


def radius_and_depth(case: Case) -> tuple[float, float]:
    """Recompute the turn radius and the depth of the deepest gear."""
    floor, speed = case.head["limits"]["lure_speed_floor"], case.head["troll_speed_mps"]
    radius, deepest = case.head["boat_turn_radius_m"], 0.0
    for rod in case.rods:
        flat = rod["kind"] == "flat line"
        depth, layback, _ = cable(rod, rod["setback_m"] if flat else rod["cable_out_m"], speed)
        chain = layback if flat else math.hypot(layback, rod["setback_m"])
        radius = max(radius, chain / math.sqrt(1 - floor**2) + rod["reach_m"])
        deepest = max(deepest, depth)
    return radius, deepest


def check_radius(case: Case) -> Iterator[str]:
    """R is the widest that hull and rods ask for, and no gear-down water is turned tighter.

    Turns are held in the water: of each track the way through the water is looked at, recomputed from the plan.
    """
    radius, _ = radius_and_depth(case)
    if not math.isclose(radius, case.head["turn_radius_m"], rel_tol=0.005):
        yield f"turn_radius_m is {case.head['turn_radius_m']:.2f}, recomputed {radius:.2f}"
    for group in case.gear_groups:
        sections = [(group[0].seq, group[-1].seq, way_through_water(group))]
        sections += [(leg.seq, leg.seq, leg.through_water) for leg in group]
        for first, last, vertices in sections:
            tightest, share = tightest_radius(vertices)
            if tightest < 0.97 * radius:
                yield (
                    f"legs {first} to {last}: {tightest:.1f} m radius {100 * share:.0f} % along, R is {radius:.1f} m"
                )


def way_through_water(group: Sequence[Leg]) -> np.ndarray:
    """Join the ways through the water of legs that follow each other."""
    carried, parts = np.zeros(2), [group[0].through_water]
    for before, leg in pairwise(group):
        carried = carried + (0.0 if before.drift is None else before.drift[-1])
        parts.append((leg.through_water - carried)[1:])
    return np.concatenate(parts)


def tightest_radius(vertices: np.ndarray) -> tuple[float, float]:
    """Return the least circumradius over 12 m steps at six offsets, and where along it lies as a share."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(vertices, axis=0).T))])
    best = (math.inf, 0.0)
    for offset in np.arange(0.0, CHORD_M, 2.0):
        at = np.arange(offset, along[-1], CHORD_M)
        if len(at) < 3:
            continue
        p = np.column_stack([np.interp(at, along, vertices[:, k]) for k in (0, 1)])
        a, b, c = p[1:-1] - p[:-2], p[2:] - p[1:-1], p[2:] - p[:-2]
        cross = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
        sides = np.hypot(*a.T) * np.hypot(*b.T) * np.hypot(*c.T)
        with np.errstate(divide="ignore", invalid="ignore"):
            radii = np.where(sides == 0, 0.0, sides / (2 * cross))
        worst = int(np.argmin(radii))
        best = min(best, (float(radii[worst]), float(at[worst + 1] / along[-1])))
    return best


def check_sequence(case: Case) -> Iterator[str]:
    """Legs are numbered from 1 and each begins where, when and as the one before ended."""
    if [leg.seq for leg in case.legs] != list(range(1, len(case.legs) + 1)):
        yield f"legs are numbered {[leg.seq for leg in case.legs]}"
    for leg in case.legs:
        if leg.kind not in ("run", "pass", "turn"):
            yield f"{leg.name()}: unknown kind"
        if leg.end <= leg.start:
            yield f"{leg.name()}: ends at {leg.end}, before it starts"
    for before, leg in zip(case.legs, case.legs[1:], strict=False):
        gap = float(np.hypot(*(leg.vertices[0] - before.vertices[-1])))
        if gap > PLACE_M:
            yield f"{leg.name()}: starts {gap:.2f} m from the end of the leg before"
        if leg.start != before.end:
            yield f"{leg.name()}: starts at {leg.start}, the leg before ends at {before.end}"
        if leg.gear_down and before.gear_down:
            kink = math.degrees(least_kink(before.through_water[::-1], leg.through_water))
            if kink > HEADING_DEG:
                yield f"{leg.name()}: heading jumps {kink:.1f}° from the leg before"


def least_kink(behind: np.ndarray, ahead: np.ndarray) -> float:
    """Return the smallest jump in heading at a join that the vertices on both sides allow.

    Each side's heading is taken over its first half metre, its first metre and its first vertices past 1.5 m, as it
    is and carried to the join with the bend seen there: a small circle can bend back within two metres.
    """

    def headings(line: np.ndarray) -> list[float]:
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        first = along[min(int(np.searchsorted(along, 1.5)), len(line) - 1)]
        second = along[min(int(np.searchsorted(along, first + 1.5)), len(line) - 1)]
        found = []
        for near, far in ((0.5, 1.0), (1.0, 2.0), (first, second)):
            x, y = (np.interp((0.0, near, far), along, line[:, k]) for k in (0, 1))
            heading, next_heading = np.arctan2(np.diff(y), np.diff(x)).tolist()
            bend = math.remainder(heading - next_heading, math.tau) if far > near else 0.0
            found += [heading, heading + bend * near / far]
        return found

    return min(
        abs(math.remainder(out - (back + math.pi), math.tau)) for back in headings(behind) for out in headings(ahead)
    )


def check_home_and_hours(case: Case) -> Iterator[str]:
    """The trip begins and ends at home, inside its hours."""
    place = position(case.trip["home"])
    if place is not None:
        home = case.frame.points(np.array([place]))[0]
    else:
        marks = [row for row in case.rows("mark") if row["name"] == case.trip["home"]]
        home = shapely.get_coordinates(marks[0]["shape"])[0]
    for leg, end, word in ((case.legs[0], 0, "first leg starts"), (case.legs[-1], -1, "last leg ends")):
        away = float(np.hypot(*(leg.vertices[end] - home)))
        if away > 1.0:
            yield f"{word} {away:.1f} m from home"
        if leg.gear_down:
            yield f"{word} with the gear down"
    clock = [int(part) for part in case.trip["start"].split(":")]
    start = datetime(*case.trip["date"].timetuple()[:3], *clock, tzinfo=case.zone)
    finish = start + timedelta(hours=case.trip["hours"])
    if case.legs[0].start < start or case.legs[-1].end > finish:
        yield f"legs run from {case.legs[0].start} to {case.legs[-1].end}, the trip from {start} to {finish}"
    for leg in case.legs:
        if leg.start.utcoffset() != leg.start.astimezone(case.zone).utcoffset():
            yield f"{leg.name()}: {leg.start} is not the area's own time"


def check_speed(case: Case) -> Iterator[str]:
    """Length over time is the speed asked for, within 1 % and the rounding of times to seconds.

    Both speeds are through the water. A run may be slow to come when water opens, or when its note says that it waits.
    """
    for leg in case.legs:
        speed = quantity(case.trip["boat"]["troll_speed" if leg.gear_down else "run_speed"], SPEED)
        length = leg.along[-1]
        if abs(leg.props["length_m"] - length) > 0.1 + 0.002 * length:
            yield f"{leg.name()}: length_m is {leg.props['length_m']:.1f}, measured {length:.1f}"
        took, needs = (leg.end - leg.start).total_seconds(), leg.water_m / speed
        slow = took > 1.01 * needs + 1.0
        waits = opens(case, leg.end) or (case.moving and "wait" in (leg.props.get("note") or "").casefold())
        if took < 0.99 * needs - 1.0 or (slow and (leg.gear_down or not waits)):
            yield f"{leg.name()}: {leg.water_m:.0f} m in {took:.0f} s, it takes {needs:.0f} s"


def opens(case: Case, when: datetime) -> bool:
    """Tell whether water opens at a time, so that a run may be slow to come to it."""
    before, after = ((when + timedelta(minutes=minutes)).astimezone(case.zone) for minutes in (-1, 1))
    return any(not rule.active(before) and rule.active(after) for rule in case.grounds) or any(
        rule.active(before) and not rule.active(after) for rule in case.closures
    )


def check_chords(case: Case) -> Iterator[str]:
    """Vertices of gear-down legs stand so close that the chord error is under 0.25 m."""
    for leg in case.gear_legs:
        steps = np.diff(leg.vertices, axis=0)
        steps = steps[np.hypot(*steps.T) > PLACE_M]
        size = np.hypot(*steps.T)
        turn = np.abs(np.angle(np.exp(1j * np.diff(np.arctan2(steps[:, 1], steps[:, 0])))))
        bend = turn / ((size[1:] + size[:-1]) / 2)
        error = np.maximum(size[1:], size[:-1]) ** 2 * bend / 8
        if len(error) and error.max() > 0.25:
            yield f"{leg.name()}: chord error about {error.max():.2f} m at vertex {int(error.argmax()) + 1}"


def too_near(leg: Leg, shape: Any, keep_m: float) -> np.ndarray:
    """Return which segments of a leg come nearer to a shape than keep_m, or cross it."""
    limit = max(keep_m - KEEP_M, 0.0)
    if shapely.is_empty(shape) or shapely.distance(leg.line, shape) > limit:
        return np.zeros(len(leg.segments), bool)
    shapely.prepare(shape)
    distance = shapely.distance(leg.segments, shape)
    return distance < limit if limit > 0 else shapely.intersects(leg.segments, shape)


def worst(leg: Leg, shape: Any, where: np.ndarray) -> float:
    return float(shapely.distance(leg.segments[where], shape).min())


def active_at_segments(case: Case, leg: Leg, rule: Rule, where: np.ndarray) -> np.ndarray:
    """Return which of the marked segments lie in the time of a rule, at either end of the segment."""
    marked = np.zeros(len(where), bool)
    for i in np.flatnonzero(where):
        marked[i] = any(rule.active(case.local(leg, leg.seconds[k])) for k in (i, i + 1))
    return marked


def check_closures(case: Case) -> Iterator[str]:
    """Gear keeps margin and standoff from every closure in force; nothing enters where entry is forbidden."""
    standoff = case.limit("closure_standoff")
    for rule in case.closures:
        if not rule.applies:
            continue
        for leg in case.legs:
            if leg.gear_down:
                shape, keep = rule.shape, rule.margin_m + standoff
            elif rule.forbids == "entry":
                shape, keep = shapely.buffer(rule.shape, -KEEP_M), 0.0
            else:
                continue
            bad = active_at_segments(case, leg, rule, too_near(leg, shape, keep))
            if bad.any():
                first = case.local(leg, leg.seconds[int(np.argmax(bad))])
                yield (
                    f"{leg.name()}: {worst(leg, rule.shape, bad):.1f} m from closure {rule.name!r} "
                    f"at {first:%H:%M:%S}, has to keep {keep:.1f} m"
                )


def check_grounds(case: Case) -> Iterator[str]:
    """Where there are grounds, gear keeps its standoff from water outside those that are open then."""
    if not case.files("ground"):
        return
    standoff = case.limit("closure_standoff")
    land = shapely.buffer(case.land, KEEP_M)
    outside: dict[tuple[bool, ...], Any] = {}
    for leg in case.gear_legs:
        states = np.array([[rule.active(case.local(leg, t)) for rule in case.grounds] for t in leg.seconds], bool)
        for state in {tuple(row) for row in states.tolist()}:
            if state not in outside:
                everything = shapely.box(*shapely.total_bounds([other.line for other in case.legs])).buffer(2000)
                grounds = [r.shape for r, on in zip(case.grounds, state, strict=True) if on]
                # cracks between neighbours and cuts at 180° are closed up
                opened = shapely.buffer(shapely.union_all([shapely.buffer(g, 0.02) for g in grounds]), -0.02)
                outside[state] = everything.difference(opened).difference(land)
            then = (states == state).all(axis=1)
            bad = too_near(leg, outside[state], standoff) & (then[:-1] | then[1:])
            if bad.any():
                open_then = [r.name for r, on in zip(case.grounds, state, strict=True) if on]
                yield (
                    f"{leg.name()}: {worst(leg, outside[state], bad):.1f} m from water outside the grounds "
                    f"open then ({open_then}), has to keep {standoff:.1f} m"
                )


def check_hazards_lanes_land(case: Case) -> Iterator[str]:
    """Gear keeps off hazards, lanes and the shore; nothing crosses lanes marked all, or land."""
    gear, everything = case.gear_legs, case.legs
    tasks: list[tuple[str, Any, float, Sequence[Leg]]] = [
        ("the shore", case.land, case.limit("shore_standoff"), gear),
        ("land", shapely.buffer(case.land, -KEEP_M), 0.0, everything),
    ]
    for role in ("hazard", "lane"):
        for row in case.rows(role):
            margin = row.get("margin_m")
            keep = 0.0 if margin is None or math.isnan(float(margin)) else float(margin)
            tasks.append((f"{role} {row['name']!r}", row["shape"], keep, gear))
            if role == "lane" and row.get("avoid") == "all":
                tasks.append((f"lane {row['name']!r}", shapely.buffer(row["shape"], -KEEP_M), 0.0, case.runs))
    for name, shape, keep, legs in tasks:
        for leg in legs:
            bad = too_near(leg, shape, keep)
            if bad.any():
                yield f"{leg.name()}: {worst(leg, shape, bad):.1f} m from {name}, has to keep {keep:.1f} m"


def check_depth(case: Case) -> Iterator[str]:
    """Depth is known and enough: for the deepest rod and the clearance, on runs for the draft.

    The tide of the moment counts; where it would help a run it does not.
    """
    _, deepest = radius_and_depth(case)
    gear = deepest + case.limit("bottom_clearance")
    draft = quantity(case.trip["boat"]["draft"], LENGTH)
    depths = np.split(
        case.depth(np.concatenate([leg.dense for leg in case.legs])),
        np.cumsum([len(leg.dense) for leg in case.legs])[:-1],
    )
    for leg, charted in zip(case.legs, depths, strict=True):
        tide = case.tide(leg.dense, leg.start.timestamp() + leg.seconds)
        depth = charted + (tide if leg.gear_down else np.minimum(tide, 0.0))
        need, slack = (gear, DEPTH_M) if leg.gear_down else (draft, RUN_DEPTH_M)
        unknown, shallow = np.isnan(depth), depth < need - slack
        if unknown.any():
            yield (
                f"{leg.name()}: unknown depth over {100 * unknown.mean():.1f} % of it, "
                f"first {place(case, leg, unknown)}"
            )
        if shallow.any():
            yield (
                f"{leg.name()}: {np.nanmin(depth):.2f} m deep, needs {need:.2f} m, "
                f"over {100 * shallow.mean():.1f} % of it, first {place(case, leg, shallow)}"
            )
        if leg.kind == "pass" and not unknown.any():
            mean, claim = float(np.nanmean(case.depth(leg.even))), leg.props["depth_mean_m"]
            # between contours, and along the edge of an area, a plan may count the shallower of two
            bounded = {"contours", "areas"} & {layer["form"] for layer in case.files("depth")}
            if claim > mean + 0.1 + 0.02 * mean or (not bounded and claim < mean - 0.1 - 0.02 * mean):
                yield f"{leg.name()}: depth_mean_m is {claim:.2f}, recomputed {mean:.2f}"


def place(case: Case, leg: Leg, marked: np.ndarray) -> str:
    lon, lat = case.frame.back(leg.dense[[int(np.argmax(marked))]], "OGC:CRS84")[0]
    return f"at {lat:.6f}, {lon:.6f}"


def check_passes(case: Case) -> Iterator[str]:
    """A pass names a depth line of the trip and does not claim to lie nearer to it than it does.

    Where there is a current, loops and weaves may be worked one way for a time.
    """
    lines = {
        (work["pattern"], round(quantity(work[key], LENGTH), 1))
        for work in case.trip["work"]
        for key in ("depth_line", "return_line")
        if key in work
    }
    if case.currents is not None:
        lines |= {("one-way", level) for pattern, level in lines if pattern != "edge"}
        # where a weave cannot be steered in the current the two lines are looped
        lines |= {("loop", level) for pattern, level in lines if pattern == "weave"}
    depth_layers = case.files("depth")
    measured = len(depth_layers) == 1 and depth_layers[0]["form"] == "grid"
    contours: dict[float, Any] = {}
    for leg in case.legs:
        if leg.kind != "pass":
            continue
        level, claim = leg.props["depth_line_m"], leg.props["offline_p95_m"]
        if (leg.props["pattern"], round(level, 1)) not in lines:
            yield f"{leg.name()}: {leg.props['pattern']} on {level:.2f} m, the trip asks for {sorted(lines)}"
        elif measured and leg.props["pattern"] != "weave":
            if level not in contours:
                contours[level] = contour(case, depth_layers[0], level)
            own = float(np.percentile(shapely.distance(shapely.points(leg.even), contours[level]), 95))
            if math.isnan(own) or own > claim + max(1.0, 0.1 * claim):
                yield f"{leg.name()}: offline_p95_m is {claim:.1f}, measured {own:.1f}"


def check_closed_features(case: Case) -> Iterator[str]:
    """Each closure in force between the first leg and the last is drawn, whole."""
    start, end = case.legs[0].start, case.legs[-1].end
    minutes = [start + timedelta(minutes=i) for i in range(int((end - start).total_seconds() // 60) + 1)]
    drawn: dict[str, list[Any]] = {}
    for feature in case.features:
        if feature["properties"]["role"] == "closed":
            shape = case.frame.shape(shapely.from_geojson(json.dumps(feature["geometry"])), "OGC:CRS84")
            drawn.setdefault(feature["properties"]["name"], []).append(shape)
    for rule in case.closures:
        if not any(rule.active(minute.astimezone(case.zone)) for minute in minutes):
            continue
        whole = shapely.buffer(shapely.union_all(drawn.get(rule.name, [])), 0.5)
        if not shapely.covers(whole, rule.shape):
            yield f"closure {rule.name!r} is in force and not drawn whole"


def check_lure_tracks(case: Case) -> Iterator[str]:
    """Lure tracks belong to a rod and a gear-down leg, within the gear's reach of the boat's own track."""
    rods = {rod["name"]: rod for rod in case.rods}
    groups = {leg.seq: group for group in case.gear_groups for leg in group}
    for feature in case.features:
        props = feature["properties"]
        if props["role"] != "lure track":
            continue
        if props["rod"] not in rods or props["seq"] not in groups:
            yield f"lure track of {props['rod']!r} on leg {props['seq']}: no such rod, or no gear down"
            continue
        rod = rods[props["rod"]]
        chain = rod["reach_m"] + rod["layback_m"] + (0.0 if rod["kind"] == "flat line" else rod["setback_m"])
        track = case.frame.points(line_coordinates(feature["geometry"]))
        boat = shapely.multilinestrings([leg.line for leg in groups[props["seq"]]])
        away = float(shapely.distance(shapely.points(track), boat).max())
        if away > chain + 1.0:
            yield (
                f"lure track of {props['rod']!r} on leg {props['seq']}: {away:.1f} m off, "
                f"the gear reaches {chain:.1f} m"
            )


CHECKS: tuple[Callable[[Case], Iterator[str]], ...] = (
    check_head,
    check_sources,
    check_rods,
    check_radius,
    check_sequence,
    check_home_and_hours,
    check_speed,
    check_chords,
    check_closures,
    check_grounds,
    check_hazards_lanes_land,
    check_depth,
    check_passes,
    check_closed_features,
    check_lure_tracks,
)
