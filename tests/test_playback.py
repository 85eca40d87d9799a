"""What the time control plays against the plan, unpacked here apart from the product."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from spotmap.model import RigStep
from spotmap.playback import LURE_STEP_S, Playback, playback
from spotmap.webmap import safe_json
from tests.plan_fixture import KNOWN_FROM_X, SineCurrent, build_plan, clock_of

if TYPE_CHECKING:
    from layers.model import FloatArray
    from spotmap.model import LureTrack, Plan, TimedLeg


@pytest.fixture(scope="module")
def plan() -> Plan:
    return build_plan(moving=True, laps=2)


def local(plan: Plan, steps: list[int]) -> FloatArray:
    lat, lon = np.cumsum(np.reshape(steps, (-1, 2)), axis=0).T / 1e6
    return np.column_stack(plan.area.projection.to_local(lon, lat))


def boat_at(plan: Plan, play: Playback, time_s: FloatArray) -> FloatArray:
    way, at = local(plan, play.boat.steps), np.cumsum(play.boat.at) / 10
    return np.column_stack([np.interp(time_s, at, way[:, i]) for i in (0, 1)])


def since_start(plan: Plan, leg: TimedLeg) -> float:
    return leg.start.timestamp() - plan.legs[0].start.timestamp()


def on(leg_s: FloatArray, clock_s: FloatArray, xy: FloatArray) -> FloatArray:
    return np.column_stack([np.interp(leg_s, clock_s, xy[:, i]) for i in (0, 1)])


@pytest.mark.parametrize("lon0_deg", [-140.0, 179.99])
@pytest.mark.parametrize("moving", [True, False])
def test_boat_is_where_the_plan_has_it_at_every_moment(lon0_deg: float, moving: bool) -> None:
    plan = build_plan(lon0_deg=lon0_deg, moving=moving)
    play = playback(plan)
    for leg, start in zip(plan.legs, play.legs, strict=True):
        assert start / 10 == pytest.approx(since_start(plan, leg), abs=0.06)
        leg_s = np.linspace(0.0, clock_of(leg)[-1], 777)
        there = on(leg_s, clock_of(leg), leg.leg.xy)
        assert np.hypot(*(boat_at(plan, play, since_start(plan, leg) + leg_s) - there).T).max() < 1.0, leg.leg.label
    assert max(play.boat.at[1:]) <= 100  # ten seconds
    assert play.took / 10 == pytest.approx((plan.legs[-1].end - plan.legs[0].start).total_seconds(), abs=0.06)
    assert play.begin == play.legs[1]


def test_heading_is_through_the_water_and_course_over_the_ground(plan: Plan) -> None:
    play = playback(plan)
    at = np.cumsum(play.boat.at) / 10
    course, heading, speed = (np.cumsum(values) for values in (play.boat.course, play.boat.heading, play.boat.speed))
    current = plan.area.current
    assert isinstance(current, SineCurrent)
    start = plan.legs[0].start.timestamp()
    for leg in plan.legs:
        inside = np.flatnonzero(
            (at[:-1] >= since_start(plan, leg)) & (at[1:] <= since_start(plan, leg) + 1e-6 + clock_of(leg)[-1])
        )
        for i in inside[:: max(1, len(inside) // 20)]:
            water_mps = plan.trip.boat.run_speed_mps if leg.leg.kind == "run" else plan.trip.boat.troll_speed_mps
            (x, y), middle = boat_at(plan, play, np.array([(at[i] + at[i + 1]) / 2]))[0], (at[i] + at[i + 1]) / 2
            flow = current.flow_at(x, y, start + middle)
            ahead = plan.area.projection.heading_rad(x, y, heading[i])
            ground = water_mps * np.array([np.cos(ahead), np.sin(ahead)]) + flow
            made = plan.area.projection.true_course_deg(x, y, np.arctan2(ground[1], ground[0]))
            assert abs((made - course[i] + 180) % 360 - 180) < 3.0, leg.leg.label  # both are whole degrees
            assert np.hypot(*ground) * 3600 / 1852 == pytest.approx(speed[i] / 10, abs=0.15)


def test_lures_are_on_their_tracks_and_gone_with_the_gear_up(plan: Plan) -> None:
    play = playback(plan)
    tracks: dict[str, list[LureTrack]] = {}
    for track in plan.swept.tracks:
        tracks.setdefault(track.rod, []).append(track)
    assert [lure.rod for lure in play.lures] == list(tracks)
    starts = {leg.seq: since_start(plan, leg) for leg in plan.legs}
    for lure in play.lures:
        (spell,) = lure.spells  # gear goes down once and comes up once
        bends = np.reshape(spell.bends, (-1, 2))
        moved = np.concatenate([bends[:1], np.cumsum(bends[1:], axis=0)])
        places = local(plan, moved.ravel().tolist())
        time_s = play.lure_every * np.arange(spell.first, spell.first + len(places))
        for track in tracks[lure.rod]:
            begin = starts[track.seq]
            some = np.linspace(max(begin, time_s[0]), min(begin + track.clock_s[-1], time_s[-1]), 333)
            there = on(some - begin, track.clock_s, track.xy)
            here = np.column_stack([np.interp(some, time_s, places[:, i]) for i in (0, 1)])
            assert np.hypot(*(here - there).T).max() < 1.0
        down, up = plan.legs[1], plan.legs[-1]
        assert since_start(plan, down) <= time_s[0] < since_start(plan, down) + play.lure_every
        assert since_start(plan, up) - play.lure_every < time_s[-1] <= since_start(plan, up)


def test_gear_that_comes_up_between_passes_makes_two_spells(plan: Plan) -> None:
    without = replace(plan.swept, tracks=tuple(track for track in plan.swept.tracks if track.seq not in (3, 4)))
    first, second = playback(replace(plan, swept=without)).lures[0].spells
    begin, end = since_start(plan, plan.legs[2]), since_start(plan, plan.legs[4])
    assert (first.first + len(first.bends) // 2 - 1) * LURE_STEP_S == pytest.approx(begin, abs=5)
    assert second.first * LURE_STEP_S == pytest.approx(end, abs=5)
    none = playback(replace(plan, swept=replace(plan.swept, tracks=())))
    assert none.lures == ()


def test_current_arrows_are_the_currents_own_and_unknown_stays_unknown(plan: Plan) -> None:
    play = playback(plan)
    assert play.flows is not None
    xy = local(plan, play.flows.steps)
    assert 20 <= len(xy) <= 60
    assert len(play.flows.flows) == len(xy)
    # The plan's window does not reach where this current is unknown: hide its eastern half instead.
    current = plan.area.current
    assert isinstance(current, SineCurrent)

    class Half(SineCurrent):
        def flow_at(self, x: FloatArray, y: FloatArray, time_s: FloatArray) -> FloatArray:
            assert np.max(time_s) <= plan.legs[-1].end.timestamp() + 1e-6  # a table may end with the trip
            flow = super().flow_at(x, y, time_s)
            return np.where((np.broadcast_to(x, flow.shape[:-1]) > 0)[..., None], np.nan, flow)

    half = playback(replace(plan, area=replace(plan.area, current=Half(current.slack_s)))).flows
    assert half is not None
    for (x, y), whole, known in zip(xy, play.flows.flows, half.flows, strict=True):
        assert x > KNOWN_FROM_X
        assert all(value is None for value in known) == (x > 0)
        for step in range(len(whole) // 2):
            at = min(plan.legs[0].start.timestamp() + 600 * step, plan.legs[-1].end.timestamp())
            flow = current.flow_at(x, y, at)
            course = np.radians(plan.area.projection.true_course_deg(x, y, np.arctan2(flow[1], flow[0])))
            east, north = 100 * np.hypot(*flow) * np.array([np.sin(course), np.cos(course)])
            assert whole[2 * step] == pytest.approx(east, abs=0.6)
            assert whole[2 * step + 1] == pytest.approx(north, abs=0.6)


def test_words_of_each_minute(plan: Plan) -> None:
    minutes = playback(plan).minutes
    count = int((plan.legs[-1].end - plan.legs[0].start).total_seconds() // 60) + 1
    assert {len(words) for words in vars(minutes).values()} == {count}
    assert minutes.clock[:2] == ["05:30", "05:31"]
    # 1.5 + 1.4 m at high water, 05:50, and half an hour later, at a place whose own tide is within an inch of it.
    assert minutes.tide[20] == "9.5 ft, turning"
    assert minutes.tide[50].endswith("ft, falling")
    assert minutes.flow[30] == "slack"
    row = 60
    flow = plan.day.flow_mps[row]
    course = plan.area.projection.true_course_deg(*plan.day.xy[row], np.arctan2(flow[1], flow[0]))
    assert minutes.flow[row] == f"{round(float(course)):03d}° at {np.hypot(*flow) * 3600 / 1852:.1f} kn"
    water = (plan.day.charted_m[row] + plan.day.tide_m[row]) / 0.3048
    assert minutes.depth[row] == f"{np.floor(water):.0f} ft with tide"


def test_what_is_not_known_is_never_a_number(plan: Plan) -> None:
    tide, flow, charted = (np.copy(values) for values in (plan.day.tide_m, plan.day.flow_mps, plan.day.charted_m))
    tide[10:12], flow[10:12], charted[11] = np.nan, np.nan, np.nan
    minutes = playback(replace(plan, day=replace(plan.day, tide_m=tide, flow_mps=flow, charted_m=charted))).minutes
    assert minutes.tide[10] == minutes.flow[10] == "unknown"
    assert minutes.depth[10].endswith("ft charted, tide unknown")
    assert minutes.depth[11] == "unknown"
    still = playback(build_plan())
    assert still.flows is None
    assert set(still.minutes.tide) | set(still.minutes.flow) == {""}
    assert all(words.endswith("ft charted") for words in still.minutes.depth)


def test_clock_across_midnight_and_across_a_change_of_the_clock() -> None:
    late = playback(build_plan(departure=datetime(2026, 8, 14, 23, 50))).minutes.clock  # noqa: DTZ001
    assert late[9:11] == ["23:59", "00:00 (+1 d)"]
    autumn = playback(build_plan(zone="CET", departure=datetime(2026, 10, 25, 2, 40))).minutes.clock  # noqa: DTZ001
    assert autumn[19:21] == ["02:59 UTC+2", "02:00 UTC+1"]
    assert len(set(autumn)) == len(autumn)


def test_rig_in_force_is_told_when_it_changes(plan: Plan) -> None:
    towed = plan.radius.rods
    later = plan.trip.start + timedelta(minutes=30)
    same = plan.trip.start + timedelta(minutes=40)
    deeper = (replace(towed[0], depth_m=30.48), towed[1])
    steps = (*plan.radius.steps, RigStep(later, deeper), RigStep(same, deeper))
    rig = playback(replace(plan, radius=replace(plan.radius, steps=steps))).rig
    assert rig == [
        (0, ["port rigger: 60 ft", "long <flat> line: 20 ft"]),
        (18000, ["port rigger: 100 ft", "long <flat> line: 20 ft"]),
    ]


def test_six_hours_with_eight_rods_stay_small() -> None:
    plan = build_plan(moving=True, laps=7)
    assert plan.legs[-1].end - plan.legs[0].start > timedelta(hours=5.5)
    tracks = tuple(replace(track, rod=f"{track.rod} {n}") for track in plan.swept.tracks for n in range(4))
    play = playback(replace(plan, swept=replace(plan.swept, tracks=tracks)))
    assert len(play.lures) == 8
    assert len(safe_json(play)) < 300_000
