"""Runs of a trip: each looked for once, and never in water that was open at another hour."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from shapely import LineString, Point, box

from layers.area import open_area
from spotmap.trip import area_folder, read_trip
from spotmap.water import Span
from spotmap.ways import Runs
from tests.small_area import ALWAYS, SmallArea, SmallTrip, feature, work


def test_bans_of_one_name_are_told_apart(tmp_path: Path) -> None:
    bans = [
        feature(box(900, 900, 1000, 1000), name="Range", forbids="entry", rule="T", hours="08:00-09:00", **ALWAYS),
        feature(box(-50, -200, 50, 200), name="Range", forbids="entry", rule="T", hours="10:00-11:00", **ALWAYS),
    ]
    file = SmallTrip([work()]).write(SmallArea(layers={"closure": bans}).write(tmp_path))
    area = open_area(area_folder(file))
    runs = Runs(area, read_trip(file, area))

    def way(hour: int) -> LineString:
        begin, end = (datetime(2026, 8, 14, hour, minute, tzinfo=area.timezone) for minute in (10, 20))
        return runs.way(Point(-400, 0), Point(400, 0), Span(begin, end), start_name="here", goal_name="there")

    shut = area.closures[1].shape
    assert way(8).intersects(shut)
    assert way(10).distance(shut) >= 50.0 - 1e-6
    assert way(8).intersects(shut)
