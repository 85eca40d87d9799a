from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
from shapely import LineString, Point, box

from layers.area import open_area
from spotmap.crossings import met_cautions
from spotmap.model import Leg, TimedLeg
from tests.small_area import SmallArea, feature


def leg(seq: int, *places: tuple[float, float]) -> TimedLeg:
    moment = datetime(2026, 8, 14, 8).astimezone()
    track = Leg(kind="run", xy=np.array(places, dtype=float), label=f"R{seq}")
    return TimedLeg(seq, track, moment, moment, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, None)


def test_each_caution_names_the_legs_that_meet_it(tmp_path: Path) -> None:
    cautions = [
        feature(box(-100, -100, 100, 100), name="Anchorage 2", kind="anchorage", note="ask the pilots"),
        feature(LineString([(300, -500), (300, 500)]), kind="cable"),
        feature(Point(0, 1040), name="boil", kind="boil"),
        feature(box(2000, 2000, 2100, 2100), name="Far", kind="anchorage"),
        feature(box(-50, -50, 50, 50), name="Anchorage 2", kind="anchorage", note="ask the pilots"),
    ]
    area = open_area(SmallArea(layers={"caution": cautions}).write(tmp_path))
    legs = [leg(1, (-500, 0), (500, 0)), leg(2, (500, 0), (500, 1000)), leg(3, (500, 1000), (-500, 1000))]
    assert met_cautions(area, legs) == [
        "Take care, leg 1: anchorage 'Anchorage 2': ask the pilots",
        "Take care, leg 1: cable",
        "Take care, leg 3: boil",
    ]
    many = [leg(seq, (-500, 0), (500, 0)) for seq in range(1, 10)]
    assert met_cautions(area, many)[1] == "Take care, legs 1, 2, 3, 4, 5, 6 and 3 more: cable"
