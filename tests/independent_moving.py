"""What a plan promises where water moves: clock, current, speeds, the gear over the ground, the day's timetable.

Like the rest of the independent check this shares nothing with the planner. Each check says what it tolerates.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from tests.independent_case import CLOCKED, line_with
from tests.independent_units import SPEED, quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from tests.independent_case import Case, Leg

CURRENT_MPS = 0.02  # two readings of one table: sine or cosine, seconds, a degree of convergence
EDGE_M = 5.0  # two planes disagree about where a reach ends
HIDDEN_M = 400.0  # a plan may take water as unknown that lies this near to unknown water: it looks at wide ground
SLOWEST_MPS = 0.5 * 1852 / 3600
STRONG_SLACK_MPS = 0.05  # the planner looks at the work, this check at the turn
WINDOW_S = 8.0
COORDINATE_M = 0.003  # two ends rounded to eight decimals of a degree
CHAIN_M = 1.0  # as far as a lure may lie from the gear's reach in the check of still water
BOTTOM_M = 0.25  # 0.05 for depth as elsewhere, the rest for where on a slope another pulled chain lies
PLACE_M = 3.0
TIDE_M = 0.05
WATER_KG_M3 = 1025.0


def starts(leg: Leg) -> float:
    return leg.start.timestamp()


def clocked(case: Case) -> list[Leg]:
    return [leg for leg in case.legs if leg.clock is not None]


def check_clock(case: Case) -> Iterator[str]:
    """The clock rises from 0 to the leg's duration; every leg has one where there is a current.

    Tolerated: 1 s at the end (times rounded to seconds); standing still in time where two vertices are one place.
    """
    for leg in case.legs:
        if leg.amiss:
            yield f"{leg.name()}: {leg.amiss}"
        elif leg.clock is None:
            if case.currents is not None:
                yield f"{leg.name()}: no clock_s"
        else:
            took = (leg.end - leg.start).total_seconds()
            if abs(leg.clock[0]) > 1e-3 or abs(leg.clock[-1] - took) > 1.0:
                yield f"{leg.name()}: clock_s from {leg.clock[0]:.1f} to {leg.clock[-1]:.1f}, it takes {took:.1f} s"
            step, apart = np.diff(leg.clock), np.hypot(*np.diff(leg.vertices, axis=0).T)
            back = (step < 0) | ((step == 0) & (apart > 0.01))
            if back.any():
                yield f"{leg.name()}: clock_s does not rise after vertex {int(np.argmax(back))}"


def check_currents(case: Case) -> Iterator[str]:
    """The current at each vertex is the layer's, within 0.02 m/s; none is counted where it is not known, and said so.

    A leg may call known what ends within 5 m, and unknown what lies within 400 m of unknown water.
    """
    for leg in clocked(case):
        claim = leg.props.get("current_known")
        if case.currents is None:
            if claim or np.abs(leg.flow).max() > 1e-6:
                yield f"{leg.name()}: a current, and the area tells of none"
        elif claim not in (True, False) or any(key not in leg.props for key in CLOCKED):
            yield f"{leg.name()}: does not say what current it counts on"
        elif claim:
            yield from known_current(case, leg)
        else:
            yield from unknown_current(case, leg)


def known_current(case: Case, leg: Leg) -> Iterator[str]:
    times = starts(leg) + leg.clock
    own = case.currents.at(leg.vertices, times)
    unknown = np.isnan(own[:, 0])
    if unknown.any():
        unknown[unknown] = ~nudged_known(case, leg.vertices[unknown], times[unknown], EDGE_M).any(axis=0)
    if unknown.any():
        yield f"{leg.name()}: counts on a current that is not known at vertex {int(np.argmax(unknown))}"
    off = np.nan_to_num(np.hypot(*(leg.flow - own).T))
    if off.max() > CURRENT_MPS:
        i = int(off.argmax())
        told, layer = np.round(leg.flow[i], 3), np.round(own[i], 3)
        yield f"{leg.name()}: current {told} m/s at vertex {i}, the layer says {layer}"


def unknown_current(case: Case, leg: Leg) -> Iterator[str]:
    if np.abs(leg.flow).max() > 1e-6:
        yield f"{leg.name()}: current not known, and yet counted"
    if not any("current" in text.casefold() for text in case.head["warnings"]):
        yield f"{leg.name()}: current not known, and no warning says so"
    mates = [one for one in clocked(case) if same_work(one, leg)]
    if all(nudged_known(case, one.vertices, starts(one) + one.clock, HIDDEN_M).all() for one in mates):
        yield f"{leg.name()}: current called unknown, and the layer tells it"


def same_work(one: Leg, leg: Leg) -> bool:
    work = leg.props.get("work")
    return one is leg or (leg.gear_down and one.gear_down and work is not None and one.props.get("work") == work)


def nudged_known(case: Case, xy: np.ndarray, times: np.ndarray, away_m: float) -> np.ndarray:
    """Tell where the current is known at places and so far off them in eight directions, (9, n)."""
    angle = np.arange(8) * math.pi / 4
    off = np.concatenate([[(0.0, 0.0)], away_m * np.column_stack([np.cos(angle), np.sin(angle)])])
    every = (xy + off[:, None]).reshape(-1, 2)
    return ~np.isnan(case.currents.at(every, np.tile(times, len(off)))[:, 0]).reshape(len(off), -1)


def windows(clock: np.ndarray, least_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Return pairs of vertices that lie at least so long apart; the whole where it is shorter."""
    first = np.arange(len(clock))
    last = np.searchsorted(clock, clock + least_s - 1e-9)
    inside = last < len(clock)
    if not inside.any():
        return np.array([0]), np.array([len(clock) - 1])
    return first[inside], last[inside]


def along(line: np.ndarray) -> np.ndarray:
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])


def check_speed_through_water(case: Case) -> Iterator[str]:
    """With gear down the speed through the water is trolling speed, over every 8 s or so, within 2 %.

    Tolerated besides: 3 mm for coordinates rounded to eight decimals.
    """
    troll = quantity(case.trip["boat"]["troll_speed"], SPEED)
    for leg in clocked(case):
        if not leg.gear_down:
            continue
        first, last = windows(leg.clock, WINDOW_S)
        way = along(leg.through_water)
        took, went = leg.clock[last] - leg.clock[first], way[last] - way[first]
        off = np.abs(went - troll * took) - 0.02 * troll * took
        if off.max() > COORDINATE_M:
            i = int(off.argmax())
            yield (
                f"{leg.name()}: {went[i] / max(took[i], 1e-9):.3f} m/s through the water after "
                f"{leg.clock[first[i]]:.0f} s, it trolls at {troll:.3f}"
            )


def check_speed_over_ground(case: Case) -> Iterator[str]:
    """With gear down no second or longer makes less than half a knot over the ground (common practice), less 1 %.

    A leg's `speed_mps` is its length over its time, within 1 % and the rounding of times.
    """
    for leg in clocked(case):
        way = along(leg.vertices)
        if leg.gear_down:
            first, last = windows(leg.clock, 1.0)
            took, went = leg.clock[last] - leg.clock[first], way[last] - way[first]
            short = 0.99 * SLOWEST_MPS * took - went
            if short.max() > COORDINATE_M:
                i = int(short.argmax())
                yield (
                    f"{leg.name()}: {went[i] / took[i]:.3f} m/s over the ground after {leg.clock[first[i]]:.0f} s, "
                    f"gear down wants {SLOWEST_MPS:.3f}"
                )
        took_s = (leg.end - leg.start).total_seconds()
        if abs(leg.props["speed_mps"] * took_s - way[-1]) > 0.01 * way[-1] + leg.props["speed_mps"]:
            yield f"{leg.name()}: speed_mps is {leg.props['speed_mps']:.2f}, {way[-1]:.0f} m take {took_s:.0f} s"


def check_headings(case: Case) -> Iterator[str]:
    """The headings told at a gear-down leg's ends are those through the water, within 2°."""
    for leg in clocked(case):
        if not leg.gear_down:
            continue
        for key, line in (("heading_true_deg", leg.through_water), ("heading_end_true_deg", leg.through_water[::-1])):
            back = key == "heading_end_true_deg"
            compass = case.frame.from_true(leg.vertices[[-1 if back else 0]], np.array([(0.0, 1.0)]))[0]
            own = []
            for near, far in ((1.0, 2.0), (2.0, 4.0)):
                x, y = (np.interp((0.0, near, far), along(line), line[:, k]) for k in (0, 1))
                here, there = (math.pi if back else 0.0) + np.arctan2(np.diff(y), np.diff(x))
                own.append(here + 0.5 * math.remainder(here - there, math.tau))
            told = leg.props.get(key)
            off = [
                abs(math.remainder(math.degrees(math.atan2(compass[1], compass[0]) - angle) - (told or 0.0), 360))
                for angle in own
            ]
            if told is None or min(off) > 2.0:
                yield f"{leg.name()}: {key} is {told}, recomputed {min(off):.1f}° off"


def check_strong(case: Case) -> Iterator[str]:
    """No turn with gear down begins in a current of `strong_current` or more; 0.05 m/s is tolerated."""
    if case.currents is None:
        return
    strong = quantity(case.trip["limits"].get("strong_current", "1.5 kn"), SPEED)
    for leg in case.legs:
        if leg.kind == "turn":
            flow = float(np.hypot(*case.currents.at(leg.vertices[:1], np.array([starts(leg)]))[0]))
            if flow >= strong + STRONG_SLACK_MPS:
                yield f"{leg.name()}: turns in a current of {flow:.2f} m/s, strong is {strong:.2f}"


STEP_M = 0.5
LOOK_M = 5.0


class Gear:
    """The gear of plain rods, pulled through the water behind a group of gear-down legs, `step_s` apart.

    A link's end is drawn straight to its leader as soon as that is a link's length away: with steps of 0.5 m this
    lies within L·h/2R, some 0.2 m, of the tractrix. `ends` are (n, rods, links) complex, over the ground.
    """

    def __init__(
        self, case: Case, rods: list[dict[str, Any]], hang: list[tuple[np.ndarray, np.ndarray]], group: Sequence[Leg]
    ) -> None:
        troll = case.head["troll_speed_mps"]
        clock, water, ground, carried, self.begins = [0.0], [0j], [as_complex(group[0].vertices[:1])[0]], 0j, []
        water[0] = ground[0]
        for leg in group:
            self.begins.append(clock[-1])
            clock += (clock[-1] + leg.seconds_at_vertices[1:]).tolist()
            water += (as_complex(leg.through_water[1:]) - carried).tolist()
            ground += as_complex(leg.vertices[1:]).tolist()
            carried += 0.0 if leg.drift is None else as_complex(leg.drift[-1:])[0]
        self.rods, self.step_s, self.last_s = rods, STEP_M / troll, clock[-1]
        self.times = np.arange(int(self.last_s / self.step_s) + 2) * self.step_s
        boat = interp(self.times, clock, water)
        boat[-1] += (self.times[-1] - self.last_s) * troll * unit(np.array([water[-1] - water[-2]]))[0]
        over = interp(self.times, clock, ground) - interp(self.times, clock, water)
        side = {"port": 1j, "starboard": -1j, "stern": 0j}
        tips = boat[:, None] + unit(np.gradient(boat))[:, None] * [side[r["side"]] * r["reach_m"] for r in rods]
        flat = np.array([rod["kind"] == "flat line" for rod in rods])
        first = np.array([rod["layback_m"] for rod in rods])
        second = np.where(flat, 0.0, [rod["setback_m"] for rod in rods])
        ball = towed(tips, first)
        lure = np.where(flat, ball, towed(ball, second))
        speed = np.abs(np.gradient(ball, self.step_s, axis=0))
        self.depth = np.column_stack([np.interp(speed[:, k], *table) for k, table in enumerate(hang)])
        self.ends = np.stack([ball, lure], axis=2) + over[:, None, None]

    def lure_at(self, rod: int, seconds: np.ndarray) -> np.ndarray:
        return interp(seconds, self.times, self.ends[:, rod, 1])


def as_complex(xy: np.ndarray) -> np.ndarray:
    return xy[:, 0] + 1j * xy[:, 1]


def unit(way: np.ndarray) -> np.ndarray:
    return way / np.maximum(np.abs(way), 1e-9)


def interp(at: np.ndarray, known: Any, values: Any) -> np.ndarray:
    values = np.asarray(values)
    return np.interp(at, known, values.real) + 1j * np.interp(at, known, values.imag)


def towed(leader: np.ndarray, length_m: np.ndarray) -> np.ndarray:
    """Return the ends of links (rods,) drawn behind leaders (n, rods), at first straight behind.

    The way is cut into pieces that are drawn side by side, each from far enough before its beginning: eight lengths
    of way leave a three-thousandth of a wrong start.
    """
    n, rods = leader.shape
    lead = math.ceil(8 * float(length_m.max()) / STEP_M) + 2
    before = leader[0] - np.arange(lead, 0, -1)[:, None] * (leader[1] - leader[0])
    whole = np.concatenate([before, leader])
    piece = max(lead, 200)
    pieces = math.ceil(n / piece)
    whole = np.concatenate([whole, np.repeat(leader[-1:], pieces * piece - n, axis=0)])
    start = np.arange(pieces) * piece
    end = whole[start] - length_m * unit(whole[start + 1] - whole[start])
    found = np.empty((piece, pieces, rods), complex)
    for step in range(1, lead + piece):
        now = whole[start + step]
        behind = end - now
        away = np.abs(behind)
        end = np.where(away > length_m, now + behind * (length_m / np.maximum(away, 1e-9)), end)
        if step >= lead:
            found[step - lead] = end
    return found.swapaxes(0, 1).reshape(pieces * piece, rods)[:n]


def depths(rod: dict[str, Any], troll: float) -> tuple[np.ndarray, np.ndarray]:
    """Return speeds and how deep a rod's ball hangs at each, by the cable's equations (physics.md)."""
    out = rod["setback_m"] if rod["kind"] == "flat line" else rod["cable_out_m"]
    table = np.linspace(0.02, 1.4, 24) * troll
    drag = 0.5 * WATER_KG_M3 * table**2
    body, normal = drag * rod["drag_area_m2"], drag * rod["normal_drag"] * rod["line_diameter_m"]
    slide, heavy = drag * math.pi * rod["tangential_drag"] * rod["line_diameter_m"], rod["line_weight_n_per_m"]

    def slope(state: np.ndarray) -> np.ndarray:
        angle, pull = state[0], state[1]
        sin, cos = np.sin(angle), np.cos(angle)
        return np.stack([(normal * cos**2 - heavy * sin) / pull, heavy * cos + slide * sin**2, cos])

    state = np.stack([np.arctan2(body, rod["weight_n"]), np.hypot(body, rod["weight_n"]), np.zeros(len(table))])
    h = out / 40
    for _ in range(40):
        a = slope(state)
        b = slope(state + h / 2 * a)
        c = slope(state + h / 2 * b)
        state = state + h / 6 * (a + 2 * b + 2 * c + slope(state + h * c))
    return table, state[2]


def check_gear(case: Case) -> Iterator[str]:
    """Lures go where the chain pulled through the water and carried over the ground puts them, clear of the bottom.

    Each vertex of a lure's track lies within 1 m of that lure at its clock, and the lure within 1.2 m of the track
    (it may have been thinned); the track begins and ends within 2 s of its leg's ends. Under ball and lure, charted
    depth and tide less the gear's depth leave the clearance, less 0.25 m. Rods with a ladder or on another's cable
    are left out: their chain changes.
    """
    rods = [rod for rod in case.rods if not rod.get("steps") and not rod.get("cable_of")]
    if not rods:
        return
    tracks: dict[tuple[str, int], Any] = {}
    for feature in case.features:
        props = feature["properties"]
        if props["role"] == "lure track":
            tracks[props["rod"], props["seq"]] = feature
    hang = [depths(rod, case.head["troll_speed_mps"]) for rod in rods]
    for group in case.gear_groups:
        gear = Gear(case, rods, hang, group)
        for leg, begin in zip(group, gear.begins, strict=True):
            for k, rod in enumerate(rods):
                yield from track_faults(case, gear, leg, begin, k, tracks.get((rod["name"], leg.seq)))
        yield from bottom_faults(case, gear, group)


def track_faults(case: Case, gear: Gear, leg: Leg, begin: float, k: int, feature: Any) -> Iterator[str]:
    where = f"lure track of {gear.rods[k]['name']!r} on leg {leg.seq}"
    if feature is None:
        yield f"{where}: none"
        return
    try:
        lonlat, (clock,) = line_with(feature["geometry"], [feature["properties"]["clock_s"]])
    except (KeyError, ValueError) as error:
        yield f"{where}: clock_s is amiss: {error}"
        return
    track, took = as_complex(case.frame.points(lonlat)), float(leg.seconds[-1])
    if clock[0] > 2.0 or clock[-1] < took - 2.0 or (np.diff(clock) < 0).any():
        yield f"{where}: clock_s from {clock[0]:.1f} to {clock[-1]:.1f}, the leg takes {took:.1f} s"
        return
    # a track shorter than a step holds a moment before its leg
    own = gear.lure_at(k, np.clip(begin + clock, 0.0, gear.last_s))
    off = np.abs(track - own)
    if off.max() > CHAIN_M:
        yield f"{where}: {off.max():.1f} m from the gear after {clock[int(off.argmax())]:.0f} s"
        return
    every = begin + np.arange(clock[0], min(clock[-1], took), 3.0)
    line = shapely.linestrings(np.column_stack([track.real, track.imag]))
    lure = gear.lure_at(k, every)
    away = shapely.distance(shapely.points(lure.real, lure.imag), line)
    if len(away) and away.max() > CHAIN_M + 0.2:
        yield f"{where}: the gear goes {away.max():.1f} m off it"


def bottom_faults(case: Case, gear: Gear, group: Sequence[Leg]) -> Iterator[str]:
    clearance = case.limit("bottom_clearance")
    look = np.arange(0, len(gear.times) - 1, max(1, round(LOOK_M / STEP_M)))
    ends = gear.ends[look]
    xy = np.column_stack([ends.real.ravel(), ends.imag.ravel()])
    times = np.broadcast_to((starts(group[0]) + gear.times[look])[:, None, None], ends.shape).ravel()
    water = (case.depth(xy) + case.tide(xy, times)).reshape(ends.shape)
    room = (water - gear.depth[look][:, :, None]).min(axis=2)
    for k, rod in enumerate(gear.rods):
        short = ~(room[:, k] >= clearance - BOTTOM_M)
        if short.any():
            worst = int(np.argmin(np.nan_to_num(room[:, k], nan=-math.inf)))
            leg = group[int(np.searchsorted(gear.begins, gear.times[look][worst], side="right")) - 1]
            yield (
                f"{leg.name()}: {room[worst, k]:.2f} m between the gear of {rod['name']!r} and the bottom, "
                f"the trip wants {clearance:.2f}"
            )


def check_timetable(case: Case) -> Iterator[str]:
    """Each minute's entry is where the boat is then (3 m), with the tide (5 cm) and current (0.03 m/s) of the layers.

    Depth is looked at on grids only, within 0.2 m and 2 %, and within 0.3 m for the gear; other forms of depth have
    no one depth between readings.
    """
    table = case.head.get("timetable")
    if not table or not table.get("moments"):
        yield "timetable: none"
        return
    moments = [datetime.fromisoformat(text) for text in table["moments"]]
    begin, end = case.legs[0].start, case.legs[-1].end
    apart = np.diff([moment.timestamp() for moment in moments])
    if abs((moments[0] - begin).total_seconds()) > 60 or abs((end - moments[-1]).total_seconds()) > 60:
        yield f"timetable: from {moments[0]} to {moments[-1]}, the legs go from {begin} to {end}"
    # the last entry may be the trip's end
    if len(apart) and (np.abs(apart[:-1] - 60) > 1.01).any():
        yield "timetable: its entries are not a minute apart"
    wrong = [key for key in ROW_KEYS if len(table.get(key, [])) != len(moments)]
    if wrong:
        yield f"timetable: {wrong} are not of the length of its moments"
        return
    legs = {leg.seq: leg for leg in case.legs}
    at = np.full((len(moments), 2), np.nan)
    for i, (moment, seq) in enumerate(zip(moments, table["seq"], strict=True)):
        leg = legs.get(seq)
        seconds = math.nan if leg is None else (moment - leg.start).total_seconds()
        if leg is None or not -1.0 <= seconds <= (leg.end - leg.start).total_seconds() + 1.0:
            yield f"timetable {moment:%H:%M}: leg {seq} is not under way"
            return
        at[i] = leg.place_at(seconds)
    lonlat = np.column_stack([numbers(table[key]) for key in ("lon", "lat")])
    off = np.hypot(*(case.frame.points(lonlat) - at).T)
    yield from row_faults(moments, off > PLACE_M, "place", off, at[:, 0])
    times = np.array([moment.timestamp() for moment in moments])
    yield from water_rows(case, table, moments, at, times)
    yield from depth_rows(case, table, moments, at)


ROW_KEYS = (
    "seq", "tide_m", "rising", "set_deg", "drift_mps", "work_set_deg", "work_drift_mps", "charted_m", "gear_m",
    "clearance_m", "light", "lon", "lat",
)  # fmt: skip


def numbers(values: list[Any]) -> np.ndarray:
    return np.array([math.nan if value is None else value for value in values], float)


def row_faults(
    moments: list[datetime], wrong: np.ndarray, what: str, told: np.ndarray, own: np.ndarray
) -> Iterator[str]:
    if wrong.any():
        i = int(np.argmax(wrong))
        yield f"timetable {moments[i]:%H:%M}: {what} {told[i]:.3f}, recomputed {own[i]:.3f} ({wrong.sum()} entries)"


def water_rows(
    case: Case, table: dict[str, Any], moments: list[datetime], at: np.ndarray, times: np.ndarray
) -> Iterator[str]:
    tide, flow = numbers(table["tide_m"]), numbers(table["drift_mps"])
    if case.tides is None:
        own = np.full(len(at), math.nan)
    else:
        own = case.tides.at(at, times)
        soon, late = (case.tides.at(at, times + shift) for shift in (-60.0, 60.0))
        # near high and low water a trend hangs on what one calls still
        sure = np.abs(late - soon) > 0.005
        trend = np.where(sure, np.sign(late - soon), 0.0)
        told = numbers(table["rising"])
        yield from row_faults(moments, sure & ~(told == trend), "rising", told, trend)
    yield from row_faults(moments, ~same(tide, own, TIDE_M), "tide_m", tide, own)
    toward = np.radians(numbers(table["set_deg"]))
    told_flow = flow[:, None] * np.column_stack([np.sin(toward), np.cos(toward)])
    # with no drift there is no set
    told_flow[flow == 0] = 0.0
    own_flow = np.full((len(at), 2), math.nan) if case.currents is None else case.currents.at(at, times)
    off = np.hypot(*(told_flow - own_flow).T)
    missing = np.isnan(told_flow[:, 0]) != np.isnan(own_flow[:, 0])
    if missing.any() and case.currents is not None:
        # at a reach's edge the two may differ
        edge = nudged_known(case, at[missing], times[missing], EDGE_M)
        missing[missing] = edge.all(axis=0) | ~edge.any(axis=0)
    yield from row_faults(moments, missing | (off > 0.03), "drift_mps", flow, np.hypot(*own_flow.T))


def same(told: np.ndarray, own: np.ndarray, slack: float) -> np.ndarray:
    return np.where(np.isnan(own), np.isnan(told), np.abs(told - own) <= slack)


def depth_rows(case: Case, table: dict[str, Any], moments: list[datetime], at: np.ndarray) -> Iterator[str]:
    charted, gear, tide, clear = (numbers(table[key]) for key in ("charted_m", "gear_m", "tide_m", "clearance_m"))
    if {layer["form"] for layer in case.files("depth")} == {"grid"}:
        own = case.depth(at)
        wrong = ~np.isnan(own) & ~(np.abs(charted - own) <= 0.2 + 0.02 * np.abs(own))
        yield from row_faults(moments, wrong, "charted_m", charted, own)
    down = np.isin(table["seq"], [leg.seq for leg in case.gear_legs])
    ends = np.isin(times_of(moments), [moment.timestamp() for leg in case.legs for moment in (leg.start, leg.end)])
    if not any(rod.get("steps") for rod in case.rods):
        deepest = max(rod["depth_m"] for rod in case.rods)
        # in a turn the gear may hang deeper, never shallower than it is trolled by 0.3 m
        wrong = down & ~ends & ~(gear >= deepest - 0.3)
        yield from row_faults(moments, wrong, "gear_m", gear, np.full(len(gear), deepest))
    yield from row_faults(moments, ~down & ~ends & (gear > 0), "gear_m on a run", gear, np.zeros(len(gear)))
    water = charted + np.nan_to_num(tide) - gear
    both = ~np.isnan(water) & down
    yield from row_faults(moments, both & ~(np.abs(clear - water) <= 0.05), "clearance_m", clear, water)


def times_of(moments: list[datetime]) -> np.ndarray:
    return np.array([moment.timestamp() for moment in moments])


MOVING_CHECKS: tuple[Callable[[Case], Iterator[str]], ...] = (
    check_clock,
    check_currents,
    check_speed_through_water,
    check_speed_over_ground,
    check_headings,
    check_strong,
    check_gear,
    check_timetable,
)
