"""The independent check passes a plan in moving water made by hand, and names what is then spoilt in it.

The plan is that of `test_independent`: run out, pass, turn, pass back, run home. The current sets to 120° and grows,
the tide rises; both are computed here by formula, the check reads them from tables.
"""

from __future__ import annotations

import copy
import functools
import json
import math
import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.independent_case import line_with
from tests.independent_units import LENGTH
from tests.independent_water import CurrentStation, TideStation, toward
from tests.test_independent import RUN_MPS, TROLL_MPS, Edit, build, feature, later, lonlat, move, only, put, rods
from tests.test_independent import box as area_box

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

START = datetime.fromisoformat("2026-08-14T05:30:00-10:00")
SLACK_S, MAXIMUM_S = -1800.0, 9000.0  # 05:00 and 08:00, counted from the start
LOW_S, HIGH_S = -5400.0, 16200.0  # 04:00 and 10:00
SET_DEG = 120.0
AXIS = np.array([math.sin(math.radians(SET_DEG)), math.cos(math.radians(SET_DEG))])


@dataclass(frozen=True)
class Made:
    """How the plan is made: the current's maximum, how it turns, and what water the gear is pulled through."""

    most_mps: float = 0.9
    turn: str = "water"
    crab: bool = True
    gear_over_ground: bool = False
    troll_mps: float = TROLL_MPS

    def flow(self, seconds: np.ndarray | float) -> np.ndarray:
        speed = self.most_mps * np.sin(math.pi / 2 * (np.asarray(seconds) - SLACK_S) / (MAXIMUM_S - SLACK_S))
        return speed[..., None] * AXIS


def height(seconds: np.ndarray | float) -> np.ndarray:
    return 1.2 - np.cos(math.pi * (np.asarray(seconds) - LOW_S) / (HIGH_S - LOW_S))


@dataclass
class Track:
    kind: str
    xy: np.ndarray
    clock: np.ndarray  # from the trip's start
    way: np.ndarray  # through the water, from the leg's first vertex


def follow(made: Made, kind: str, line: np.ndarray, begin: float) -> Track:
    """Hold a line over the ground at a speed through the water, the heading turned against the current."""
    speed = RUN_MPS if kind == "run" else made.troll_mps
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    ahead = np.diff(line, axis=0) / np.diff(along)[:, None]

    def made_good(s: float, t: float) -> float:
        u, c = ahead[min(np.searchsorted(along, s, side="right") - 1, len(ahead) - 1)], made.flow(t)
        return float(u @ c + math.sqrt(speed**2 - (u[0] * c[1] - u[1] * c[0]) ** 2))

    s, t, step = [0.0], [begin], 1.0
    while s[-1] < along[-1] - 1e-9:
        v = made_good(s[-1] + made_good(s[-1], t[-1]) * step / 2, t[-1] + step / 2)
        left = along[-1] - s[-1]
        s.append(s[-1] + min(v * step, left))
        t.append(t[-1] + min(step, left / v))
    xy = np.column_stack([np.interp(s, along, line[:, k]) for k in (0, 1)])
    return Track(kind, xy, np.array(t), xy - xy[0] - drift(made, np.array(t)))


def drift(made: Made, clock: np.ndarray) -> np.ndarray:
    flow = made.flow(clock)
    return np.concatenate([np.zeros((1, 2)), np.cumsum((flow[1:] + flow[:-1]) / 2 * np.diff(clock)[:, None], axis=0)])


def circle(made: Made, start: np.ndarray, begin: float, radius: float) -> Track:
    """Turn to port on a circle in the water until the heading holds a track due west."""
    speed = made.troll_mps
    first = -math.asin(made.flow(begin)[1] / speed) if made.crab else 0.0

    def off(seconds: float) -> float:
        wanted = math.pi + (math.asin(made.flow(begin + seconds)[1] / speed) if made.crab else 0.0)
        return first + speed / radius * seconds - wanted

    took = brentq(off, 0.0, 2 * math.pi * radius / speed)
    clock = np.linspace(0, took, 120)
    angle = first + speed / radius * clock
    way = radius * np.column_stack([np.sin(angle) - math.sin(first), math.cos(first) - np.cos(angle)])
    return Track("turn", start + way + drift(made, begin + clock), begin + clock, way)


@functools.cache
def tracks(made: Made) -> list[Track]:
    home = np.array([0.0, -500.0])
    found = [follow(made, "run", np.array([home, (-500.0, 0.0)]), 0.0)]
    found.append(follow(made, "pass", np.array([(-500.0, 0.0), (500.0, 0.0)]), found[-1].clock[-1]))
    end, begin = found[-1].xy[-1], float(found[-1].clock[-1])
    if made.turn == "ground":
        # as wide as the gear needs, over the ground alone
        angle = np.linspace(-math.pi / 2, math.pi / 2, 200)
        radius = 1.05 * widest()
        half = end + (0, radius) + radius * np.column_stack([np.cos(angle), np.sin(angle)])
        found.append(follow(made, "turn", half, begin))
    elif made.turn == "tight":
        found.append(circle(made, end, begin, 0.9 * widest()))
    else:
        radius = brentq(lambda r: circle(made, end, begin, r).xy[-1, 1] - 100, 30, 150)
        found.append(circle(made, end, begin, radius))
    last = found[-1].xy[-1]
    found.append(follow(made, "pass", np.array([last, (-500.0, last[1])]), found[-1].clock[-1]))
    found.append(follow(made, "run", np.array([found[-1].xy[-1], home]), found[-1].clock[-1]))
    return found


def widest() -> float:
    return max(rod["radius_needed_m"] for rod in rods())


def compass(way: np.ndarray) -> float:
    return math.degrees(math.atan2(way[0], way[1])) % 360


def iso(seconds: float) -> str:
    return (START + timedelta(seconds=seconds)).isoformat()


def leg_features(made: Made) -> list[dict[str, Any]]:
    found = []
    for seq, track in enumerate(tracks(made), start=1):
        clock, way = track.clock - track.clock[0], track.way
        length = float(np.hypot(*np.diff(track.xy, axis=0).T).sum())
        flow = made.flow(track.clock)
        # at its ends the heading is that of the outermost steps and half their bend
        ahead = np.diff(way, axis=0)
        ahead /= np.hypot(*ahead.T)[:, None]
        ends = 1.5 * ahead[0] - 0.5 * ahead[1], 1.5 * ahead[-1] - 0.5 * ahead[-2]
        props: dict[str, Any] = {
            "role": "leg", "seq": seq, "kind": track.kind, "start": iso(track.clock[0]), "end": iso(track.clock[-1]),
            "length_m": length, "speed_mps": length / clock[-1], "clock_s": clock.tolist(), "current_known": True,
            "current_east_mps": flow[:, 0].tolist(), "current_north_mps": flow[:, 1].tolist(),
            "heading_true_deg": compass(ends[0]), "heading_end_true_deg": compass(ends[1]),
        }  # fmt: skip
        if track.kind != "run":
            props["work"] = 1
        if track.kind == "pass":
            level = 30.0 if seq == 2 else 31.0
            off = abs(float(track.xy[-1, 1]) - (0.0 if seq == 2 else 100.0))
            props |= {
                "depth_line_m": level, "depth_mean_m": 30 + 0.01 * float(track.xy[-1, 1]), "offline_p95_m": off + 0.1,
                "pattern": "loop",
            }  # fmt: skip
        found.append(feature("LineString", lonlat(track.xy).tolist(), **props))
    return found


def drawn(leader: np.ndarray, length: float) -> np.ndarray:
    """Draw a link behind its leader; the steps are so short that it matters not how."""
    ends = [leader[0] - length * (leader[1] - leader[0]) / abs(leader[1] - leader[0])]
    for here in leader[1:].tolist():
        behind = ends[-1] - here
        ends.append(here + behind * min(1.0, length / abs(behind)) if behind else ends[-1])
    return np.array(ends)


@functools.cache
def lures(made: Made) -> list[dict[str, Any]]:
    gear = tracks(made)[1:4]
    begin, end = gear[0].clock[0], gear[-1].clock[-1]
    times = np.arange(begin, end, 0.04)
    clock = np.concatenate([track.clock for track in gear])
    ground = np.interp(times, clock, np.concatenate([t.xy[:, 0] for t in gear])) + 1j * np.interp(
        times, clock, np.concatenate([t.xy[:, 1] for t in gear])
    )
    carried = drift(made, times) @ (1, 1j)
    boat = ground if made.gear_over_ground else ground - carried
    found = []
    for rod in rods():
        side = {"port": 1j, "stern": 0.0}[rod["side"]] * rod["reach_m"]
        ahead = np.gradient(boat)
        ball = drawn(boat + side * ahead / np.abs(ahead), rod["layback_m"])
        lure = ball if rod["kind"] == "flat line" else drawn(ball, rod["setback_m"])
        over = lure + ground - boat
        for seq, track in enumerate(gear, start=2):
            at = np.append(np.arange(track.clock[0], track.clock[-1], 2.0), track.clock[-1])
            xy = np.column_stack([np.interp(at, times, over.real), np.interp(at, times, over.imag)])
            props = {"role": "lure track", "rod": rod["name"], "seq": seq, "clock_s": (at - track.clock[0]).tolist()}
            found.append(feature("LineString", lonlat(xy).tolist(), **props))
    return found


def timetable(made: Made) -> dict[str, list[Any]]:
    legs = tracks(made)
    at = np.append(np.arange(0.0, legs[-1].clock[-1], 60.0), legs[-1].clock[-1])
    leg = [next(i for i, track in enumerate(legs) if t <= track.clock[-1]) for t in at]
    xy = np.array(
        [[np.interp(t, legs[i].clock, legs[i].xy[:, k]) for k in (0, 1)] for t, i in zip(at, leg, strict=True)]
    )
    down = [legs[i].kind != "run" for i in leg]
    gear = max(rod["depth_m"] for rod in rods())
    tide, charted = height(at), 30 + 0.01 * xy[:, 1]
    drifts = np.hypot(*made.flow(at).T).tolist()
    place = lonlat(xy)
    return {
        "moments": [iso(t) for t in at], "seq": [i + 1 for i in leg], "tide_m": tide.tolist(),
        "rising": [1] * len(at), "set_deg": [SET_DEG] * len(at), "drift_mps": drifts,
        "work_set_deg": [SET_DEG] * len(at), "work_drift_mps": drifts, "charted_m": charted.tolist(),
        "gear_m": [gear if d else None for d in down],
        "clearance_m": [room if d else None for room, d in zip((charted + tide - gear).tolist(), down, strict=True)],
        "light": [2] * len(at), "lon": place[:, 0].tolist(), "lat": place[:, 1].tolist(),
    }  # fmt: skip


@functools.cache
def members(made: Made) -> str:
    return json.dumps({"features": [*leg_features(made), *lures(made)], "timetable": timetable(made)})


CURRENT_TOML = """[[station]]
name = "Race"
position = "30 00.50 S 139 59.50 W"
reach = "3 NM"
form = "slacks and maxima"
table = "race.csv"
unit = "m/s"
flood = "120 deg"
ebb = "295 deg"
"""


def water(made: Made, change: tuple[str, str] = ("", ""), *, low_m: float = 0.2) -> Callable[[Path], list[Any]]:
    """Return what writes the tables of tide and current; `change` replaces words of current.toml."""

    def write(area: Path) -> list[tuple[str, str]]:
        (area / "tide.csv").write_text(
            f"time,height_m\n2026-08-14T04:00,{low_m}\n2026-08-14T20:00:00Z,2.2\n2026-08-14T16:10,0.1\n"
        )
        (area / "race.csv").write_text(
            "time,event,speed\n2026-08-14T01:50-10:00,ebb,0.7\n2026-08-14T05:00-10:00,slack,\n"
            f"2026-08-14T08:00-10:00,flood,{made.most_mps}\n2026-08-14T11:00-10:00,slack,\n"
        )
        (area / "current.toml").write_text(CURRENT_TOML.replace(*change) if change[0] else CURRENT_TOML)
        return [("tide", "tide.csv"), ("current", "current.toml")]

    return write


def moving(folder: Path, made: Made | None = None, *, spoil: Edit = len, **more: Any) -> list[str]:
    """Write the moving plan, changed as asked, and return what the check finds."""
    made = made or Made()

    def put_in(plan: dict[str, Any]) -> None:
        told = copy.deepcopy(json.loads(members(made)))
        plan["features"] = [*told["features"], plan["features"][-1]]
        plan["spotmap"]["timetable"] = told["timetable"]
        plan["spotmap"]["limits"]["strong_current_mps"] = 1.5 * 1852 / 3600
        spoil(plan)

    return build(folder, plan=put_in, **{"water": water(made)} | more)


def test_a_plan_in_moving_water_has_no_fault(tmp_path: Path) -> None:
    assert moving(tmp_path) == []


def test_a_loop_may_be_worked_one_way_in_a_current(tmp_path: Path) -> None:
    assert moving(tmp_path, spoil=put(2, pattern="one-way")) == []


def test_the_moving_plan_is_worth_checking() -> None:
    """Over the ground it is no plan for still water: the turn is no circle and the passes differ by minutes."""
    _, out, turn, back, _ = tracks(Made())
    assert np.ptp(back.clock) > np.ptp(out.clock) + 200
    assert np.hypot(*(turn.xy[-1] - turn.xy[0] - turn.way[-1])) > 40


def props(plan: dict[str, Any], seq: int) -> dict[str, Any]:
    return plan["features"][seq - 1]["properties"]


def change(seq: int, key: str, edit: Callable[[np.ndarray], np.ndarray]) -> Edit:
    """Change one of a leg's (or, from 6 on, a lure track's) arrays."""
    return lambda plan: props(plan, seq).update({key: edit(np.array(props(plan, seq)[key], float)).tolist()})


def table(key: str, edit: Callable[[np.ndarray], np.ndarray]) -> Edit:
    def put_in(plan: dict[str, Any]) -> None:
        rows = plan["spotmap"]["timetable"]
        rows[key] = edit(np.array(rows[key])).tolist()

    return put_in


def bump(height_: float) -> Callable[[np.ndarray], np.ndarray]:
    """Add a smooth hump over the middle third."""
    return lambda values: values + height_ * np.exp(-((np.linspace(-6, 6, len(values))) ** 2))


def unknown(plan: dict[str, Any]) -> None:
    for seq in range(1, 6):
        nothing = [0.0] * len(props(plan, seq)["clock_s"])
        props(plan, seq).update(current_known=False, current_east_mps=nothing, current_north_mps=nothing)


def unknown_with_warning(plan: dict[str, Any]) -> None:
    unknown(plan)
    plan["spotmap"]["warnings"].append("The current is not known here: none is counted.")


def mirror(seq: int) -> Edit:
    """Go round the other way through the water: what the plan says of the current is turned about."""
    return lambda plan: [change(seq, f"current_{way}_mps", np.negative)(plan) for way in ("east", "north")]


def swap(values: np.ndarray) -> np.ndarray:
    values[[10, 11]] = values[[11, 10]]
    return values


SPOILT: dict[str, tuple[Edit, str]] = {
    "pattern not asked for": (put(2, pattern="weave"), r"leg 2 .*weave on 30\.00 m, the trip asks for"),
    "clock goes back": (change(2, "clock_s", swap), r"leg 2 .*does not rise after vertex 10"),
    "clock ends early": (change(3, "clock_s", lambda t: 0.97 * t), r"leg 3 .*clock_s from 0\.0 to"),
    "no clock": (lambda plan: props(plan, 4).pop("clock_s"), r"leg 4 .*no clock_s"),
    "values for other vertices": (change(4, "clock_s", lambda t: t[1:]), r"leg 4 .*values for"),
    "current a little off": (change(4, "current_east_mps", bump(0.03)), r"leg 4 .*current .* at vertex"),
    "current turned about": (mirror(3), r"leg 3 .*current .* at vertex"),
    "current left out": (
        lambda plan: [change(2, f"current_{way}_mps", np.zeros_like)(plan) for way in ("east", "north")],
        r"leg 2 .*current .* the layer says",
    ),
    "current called unknown": (unknown_with_warning, r"leg 2 .*called unknown, and the layer tells it"),
    "speed through the water": (change(2, "clock_s", bump(4.0)), r"leg 2 .*m/s through the water after"),
    "speed told": (put(4, speed_mps=TROLL_MPS), r"leg 4 .*speed_mps is 1\.40"),
    "heading over the ground": (put(4, heading_true_deg=270.0), r"leg 4 .*heading_true_deg is 270"),
    "heading at the end": (put(3, heading_end_true_deg=270.0), r"leg 3 .*heading_end_true_deg is 270"),
    "run too quick": (later(5, -4.0, ends=("end",)), r"leg 5 .*it takes"),
    "gap in place": (move(3, 0, 1, 0.0, 0.2), r"leg 3 \(turn\): starts 0\.20 m"),
    "gap in time": (later(4, 2.0, ends=("start",)), r"leg 4 .*starts at"),
    "lure moved": (move(7, 20, 30, 1.5, 0.0), r"lure track of 'rigger' on leg 3: 1\.\d m from the gear"),
    "lure late": (change(7, "clock_s", lambda t: np.minimum(t + 1.5, t[-1])), r"'rigger' on leg 3: .* from the gear"),
    "lure's clock": (lambda plan: props(plan, 10).pop("clock_s"), r"'flat' on leg 3: clock_s is amiss"),
    "lure's track forgotten": (lambda plan: plan["features"].pop(7), r"'rigger' on leg 4: none"),
    "lure's track ends early": (change(9, "clock_s", lambda t: 0.9 * t), r"'flat' on leg 2: clock_s from"),
    "timetable's place": (table("lon", lambda v: v + np.eye(1, len(v), 9)[0] * 5e-5), r"timetable 05:39: place 4\."),
    "timetable's leg": (table("seq", lambda v: v + np.eye(1, len(v), 9, int)[0]), r"timetable 05:39: leg 3 is not"),
    "timetable's tide": (table("tide_m", lambda v: v + 0.1), r"timetable 05:30: tide_m"),
    "timetable's trend": (table("rising", np.negative), r"timetable 05:30: rising -1"),
    "timetable's drift": (table("drift_mps", lambda v: v * 1.2), r"timetable 05:\d\d: drift_mps"),
    "timetable's set": (table("set_deg", lambda v: v + 180), r"timetable 05:30: drift_mps"),
    "timetable's chart": (table("charted_m", lambda v: v + 2), r"timetable 05:30: charted_m"),
    "timetable's gear": (
        lambda plan: plan["spotmap"]["timetable"].update(gear_m=[5.0] * len(timetable(Made())["seq"])),
        r"timetable 05:3\d: gear_m 5\.000",
    ),
    "timetable's clearance": (
        lambda plan: plan["spotmap"]["timetable"]["clearance_m"].__setitem__(8, 40.0),
        r"timetable 05:38: clearance_m 40\.000",
    ),
    "no timetable": (lambda plan: plan["spotmap"].pop("timetable"), r"timetable: none"),
}  # fmt: skip


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_moving_plan_is_named(tmp_path: Path, name: str) -> None:
    edit, words = SPOILT[name]
    found = moving(tmp_path, spoil=edit)
    assert any(re.search(words, fault) for fault in found), found


MADE_WRONG: dict[str, tuple[Made, str]] = {
    "circle over the ground": (Made(turn="ground"), r"legs 3 to 3: .* m radius"),
    "circle too tight in the water": (Made(turn="tight"), r"legs 3 to 3: .* m radius"),
    "turn that does not mind the crab": (Made(crab=False), r"leg 3 .*heading jumps"),
    "trolled too slowly": (Made(troll_mps=1.3), r"leg 2 .*1\.300 m/s through the water"),
    "against too much current": (Made(most_mps=1.9), r"leg 4 .*m/s over the ground"),
    "gear pulled over the ground": (Made(gear_over_ground=True), r"lure track of 'rigger' on leg 3: .* m from"),
}


@pytest.mark.parametrize("name", MADE_WRONG)
def test_a_plan_made_wrong_for_moving_water_is_named(tmp_path: Path, name: str) -> None:
    made, words = MADE_WRONG[name]
    found = moving(tmp_path, made)
    assert any(re.search(words, fault) for fault in found), found


WORLD_WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "turn in strong current": (
        {"trip": ('shore_standoff = "60 m"', 'shore_standoff = "60 m"\nstrong_current = "0.25 m/s"')},
        r"leg 3 \(turn\): turns in a current of 0\.3",
    ),
    "tide lower than the plan's": ({"water": water(Made(), low_m=-0.6)}, r"timetable 05:30: tide_m"),
    "lower tide under the gear": ({"water": water(Made(), low_m=-20.0)}, r"leg 2 .*between the gear of 'rigger'"),
    "lower tide under the boat": ({"water": water(Made(), low_m=-20.0)}, r"leg 2 .* m deep, needs"),
    "lower tide on a run": ({"water": water(Made(), low_m=-40.0)}, r"leg 1 \(run\).* m deep, needs 1\.00"),
    "tide that helps a run": (
        {"trip": ('draft = "1 m"', 'draft = "13.85 fathom"')},
        r"leg 1 \(run\).*25\.00 m deep, needs 25\.33",
    ),
    "station of another place": (
        {"water": water(Made(), ('reach = "3 NM"', 'reach = "0.2 NM"'))},
        r"leg 2 .*counts on a current that is not known",
    ),
    "station of another axis": (
        {"water": water(Made(), ('flood = "120 deg"', 'flood = "130 deg"'))},
        r"leg 4 .*current .* the layer says",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WORLD_WRONG)
def test_a_moving_plan_for_another_world_is_named(tmp_path: Path, name: str) -> None:
    change_, words = WORLD_WRONG[name]
    found = moving(tmp_path, **change_)
    assert any(re.search(words, fault) for fault in found), found


@pytest.mark.parametrize(("low_m", "enough"), [(0.2, True), (-0.6, False)])
def test_the_tide_counts_under_gear(tmp_path: Path, low_m: float, *, enough: bool) -> None:
    """The passes' charted depth alone leaves 0.4 m less than is asked for."""
    clearance = 30 - max(rod["depth_m"] for rod in rods()) + 0.4

    def spoil(plan: dict[str, Any]) -> None:
        plan["spotmap"]["limits"]["bottom_clearance_m"] = clearance

    trip = ('bottom_clearance = "3 m"', f'bottom_clearance = "{clearance:.3f} m"')
    found = moving(tmp_path, spoil=spoil, trip=trip, water=water(Made(), low_m=low_m))
    assert any("leg 2 (pass)" in fault and "m deep, needs" in fault for fault in found) != enough
    assert any("gear of 'rigger' and the bottom" in fault for fault in found) != enough
    assert not found or not enough


@pytest.mark.parametrize("warned", [False, True])
def test_unknown_current_is_none_and_said_so(tmp_path: Path, *, warned: bool) -> None:
    """Made for no current at all, in water whose current nobody tells."""

    def spoil(plan: dict[str, Any]) -> None:
        unknown(plan)
        rows = plan["spotmap"]["timetable"]
        for key in ("set_deg", "drift_mps", "work_set_deg", "work_drift_mps"):
            rows[key] = [None] * len(rows["seq"])
        if warned:
            plan["spotmap"]["warnings"].append("The current at the work is not known.")

    far = water(Made(), ('position = "30 00.50 S', 'position = "30 20.50 S'))
    found = moving(tmp_path, Made(most_mps=0.0), spoil=spoil, water=far)
    assert found == [] if warned else all("no warning says so" in fault for fault in found) and len(found) == 5


@pytest.mark.parametrize(("west", "hours", "in_force"), [(-60.0, "05:40-05:52", True), (51.0, "05:52-06:00", False)])
def test_a_closure_counts_by_the_real_time_of_passing(
    tmp_path: Path, west: float, hours: str, *, in_force: bool
) -> None:
    """The way back is 50 m from both walls about x = 5 at 05:51:53; timed by length alone it would be at 05:52:06."""
    wall = area_box(west, 120, west + 19, 150, name="wall", hours=hours)
    found = [fault for fault in moving(tmp_path, area=only("closure", wall)) if "from closure 'wall'" in fault]
    assert bool(found) == in_force


def test_tables_are_read_between_their_entries() -> None:
    # source: shared/check_values.md: tide tables of 1 October 2003 and NAVEDTRA 14220, p. 7-22
    feet = np.array([2.2, 11.4]) * LENGTH["ft"]
    tide = TideStation(None, np.array([207.0, 701.0]) * 60, feet, smooth=True)
    assert tide.at(np.array([420.0]) * 60)[0] / LENGTH["ft"] == pytest.approx(5.81, abs=0.005)
    clock = np.array([571.0, 719.0]) * 60
    race = CurrentStation(np.zeros(2), 1.0, clock, np.array([0.0, 0.66]), toward(np.array([90.0, 270.0])))
    assert race.signed(np.array([660.0]) * 60)[0] == pytest.approx(0.66 * math.sin(math.pi / 2 * 89 / 148))
    assert np.isnan(race.vector(np.array([720.0]) * 60)).all()


def test_a_line_cut_at_180_degrees_keeps_its_clock() -> None:
    """A cut adds two vertices: what is told of the vertices may count both, one or neither."""
    parts = [[(179.9, 0.0), (180.0, 0.0)], [(-180.0, 0.0), (-179.9, 0.0)]]
    geometry = {"type": "MultiLineString", "coordinates": parts}
    for clock in ([0, 1], [0, 1, 2], [0, 1, 1, 2]):
        places, (told,) = line_with(geometry, [clock])
        assert places[[0, -1], 0] == pytest.approx([179.9, 180.1])
        assert told.tolist() == clock
        assert len(places) == len(clock)
    with pytest.raises(ValueError, match="values for 4 vertices"):
        line_with(geometry, [[0, 1, 2, 3, 4]])
