"""Ways: the runs of a trip with gear up, each looked for once, no farther afield and no finer than it takes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import hypot

import shapely
from shapely import LineString, Point

from layers.model import Area, Bounds
from spotmap._errors import NoPlanError
from spotmap.model import Trip
from spotmap.runs import RunWater
from spotmap.water import Fishery, Hull, Look, Span, entry_bans, least_tide_m, run_water

_CELLS = 700
"""A first look takes cells of about this share of the diagonal: they hold a run to a fraction of a per cent."""
_FINEST_CELL_M = 8.0
_ROOM_SHARE = 0.4
_ROOM_M = 1500.0


@dataclass
class Runs:
    """The shortest ways with gear up between places of a trip.

    Water is first looked at around the places of the trip; a way found there is the shortest of all when no way that
    leaves that box could be shorter. Then the whole area is asked, coarsely, and at last finely: a coarse look can
    close a narrow entrance.
    """

    area: Area
    trip: Trip
    _waters: dict[tuple[frozenset[int], Look], RunWater] = field(default_factory=dict)
    _ways: dict[tuple[frozenset[int], bytes, bytes], LineString] = field(default_factory=dict)

    def way(self, start: Point, goal: Point, span: Span, *, start_name: str, goal_name: str) -> LineString:
        """Return the shortest way between two places during a span.

        Raises
        ------
        NoPlanError
            When no water joins them.
        """
        bans = entry_bans(self.area, span)
        key = (bans, start.wkb, goal.wkb)
        if key not in self._ways:
            self._ways[key] = self._shortest(bans, start, goal, span, (start_name, goal_name))
        return self._ways[key]

    def afloat(self, track: LineString, span: Span) -> bool:
        """Return whether a track stays in the water that the boat may run in during a span."""
        bans = entry_bans(self.area, span)
        return self._water(bans, Look(None, None), span).holds(track)

    def _shortest(
        self, bans: frozenset[int], start: Point, goal: Point, span: Span, names: tuple[str, str]
    ) -> LineString:
        failure = NoPlanError("No water was looked at.")
        for look in self._looks():
            try:
                way = self._water(bans, look, span).shortest(start, goal, start_name=names[0], goal_name=names[1])
            except NoPlanError as error:
                failure = error
                continue
            if look.within is None:
                return way
            edge = shapely.box(*look.within).boundary
            if way.length <= edge.distance(start) + edge.distance(goal):
                return way
        raise failure

    def _looks(self) -> Iterator[Look]:
        near = self._around_the_trip()
        if near is not None:
            yield Look(near, _cell_m(near))
        yield Look(None, _cell_m(self.area.depth.bounds))
        yield Look(None, None)

    def _around_the_trip(self) -> Bounds | None:
        """Return the box around the places of the trip, None where the area is hardly larger."""
        west, south, east, north = shapely.total_bounds([self.trip.home, *(work.near for work in self.trip.works)])
        room = (
            _ROOM_M + max(work.length_m for work in self.trip.works) + _ROOM_SHARE * hypot(east - west, north - south)
        )
        box = shapely.box(west - room, south - room, east + room, north + room)
        whole = shapely.box(*self.area.depth.bounds)
        near = box.intersection(whole)
        return near.bounds if near.area < whole.area / 4.0 else None

    def _water(self, bans: frozenset[int], look: Look, span: Span) -> RunWater:
        if (bans, look) not in self._waters:
            fishery = Fishery(self.trip.species, self.trip.method)
            # the water serves every span with these bans: the lowest tide of the trip counts for all
            day = Span(self.trip.start, self.trip.latest_end)
            draft_m = self.trip.boat.draft_m - min(least_tide_m(self.area, day), 0.0)
            free = run_water(self.area, fishery, self.trip.limits, span, Hull(draft_m, self.trip.home), look)
            self._waters[bans, look] = RunWater.build(free)
        return self._waters[bans, look]


def _cell_m(box: Bounds) -> float:
    west, south, east, north = box
    return max(hypot(east - west, north - south) / _CELLS, _FINEST_CELL_M)
