"""Charts to layers: on cells that the test makes, and on a real one."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPoint, Point, Polygon, box

from layers._errors import InputError
from layers.chartarea import chart_made
from layers.chartfiles import CellFiles, find_cells
from layers.chartobjects import CAUTIONS, LANES
from layers.charts import Cell, CellHeader, ChartObjects, read_cell
from layers.made import Made, MadeLayer
from layers.restrictions import RESTRN
from tests.chart_writer import write_cell

REAL = Path(__file__).parents[2] / "shared" / "data" / "US5MA11M.000"
WHOLE = box(10.0, 50.0, 10.4, 50.2)
HEADER = CellHeader("XX5TEST1", 2, 1, date(2026, 3, 1), 10_000, 9999, 2, 12, 0)
Thing = tuple[str, Any, Mapping[str, Any]]


def cell(things: Sequence[Thing], *, cover: Polygon = WHOLE, texts: Sequence[str] = (), **header: Any) -> Cell:
    own = dataclasses.replace(HEADER, **header)
    by_class: dict[str, list[tuple[int, Thing]]] = {}
    for i, thing in enumerate([*things, ("M_COVR", cover, {"CATCOV": 1})]):
        by_class.setdefault(thing[0], []).append((i, thing))
    objects = {}
    for acronym, members in by_class.items():
        keys = {key for _, (_, _, said) in members for key in said}
        objects[acronym] = ChartObjects(
            acronym,
            tuple(f"{own.name[-1]}{i:04d}" for i, _ in members),
            np.array([shape for _, (_, shape, _) in members], dtype=object),
            {key: tuple(said.get(key) for _, (_, _, said) in members) for key in keys},
        )
    files = CellFiles(own.name, Path(f"{own.name}.000"), (Path(f"{own.name}.001"),), tuple(Path(one) for one in texts))
    return Cell(own, objects, files)


def layer(made: Made, name: str) -> MadeLayer:
    return next(one for one in made.layers if one.name == name)


def rows(made: Made, name: str) -> list[dict[str, Any]]:
    found = layer(made, name)
    assert {len(values) for values in found.attributes.values()} == {len(found.geometry)}
    told = [dict(zip(found.attributes, values, strict=True)) for values in zip(*found.attributes.values(), strict=True)]
    return [{**row, "shape": shape} for row, shape in zip(told, found.geometry, strict=True)]


def finding(made: Made, words: str) -> str:
    told = [str(one) for one in made.findings if words in str(one)]
    assert len(told) == 1, [str(one) for one in made.findings]
    assert all(one.severity == "warning" for one in made.findings)
    return told[0]


DEEP = ("DEPARE", WHOLE, {"DRVAL1": 9.1, "DRVAL2": 18.2})


def test_depth_areas_keep_their_figures_and_unknown_stays_unknown() -> None:
    dries, dredged, silent, unsurveyed, odd = (box(10.0 + i / 10, 50.0, 10.1 + i / 10, 50.1) for i in range(5))
    made = chart_made(
        [
            cell(
                [
                    ("DEPARE", dries, {"DRVAL1": -3.0, "DRVAL2": 0.0}),
                    ("DRGARE", dredged, {"DRVAL1": 12.0, "QUASOU": ("11",)}),
                    ("DEPARE", silent, {"DRVAL2": 5.0}),
                    ("UNSARE", unsurveyed, {}),
                    ("DEPARE", odd, {"DRVAL1": 9.0, "DRVAL2": 5.0}),
                    ("DEPARE", LineString([(10, 50), (10.1, 50.1)]), {"DRVAL1": 3.0}),
                    ("DEPCNT", LineString([(10, 50.05), (10.1, 50.05)]), {"VALDCO": 9.1}),
                    ("DEPCNT", LineString([(10, 50.06), (10.1, 50.06)]), {}),
                ],
                cover=box(10.0, 50.0, 10.45, 50.2),
            )
        ]
    )
    depth = layer(made, "chart-depth")
    assert depth.role == "depth"
    assert depth.keys["form"] == "areas"
    assert depth.keys["datum"] == "MLLW"
    assert depth.keys["contours"] == "chart-contours.gpkg"
    assert "soundings" not in depth.keys
    assert {(row["kind"], row["DRVAL1"], row["DRVAL2"]) for row in rows(made, "chart-depth")} == {
        ("depth area", -3.0, 0.0),
        ("dredged area", 12.0, None),
        ("depth area", None, None),
        ("unsurveyed area", None, None),
    }
    assert rows(made, "chart-contours")[0]["VALDCO"] == 9.1
    assert len(layer(made, "chart-contours").geometry) == 1
    assert "1 of its depth areas have no least depth" in finding(made, "DRVAL1): their")
    finding(made, "1 of its depth areas have DRVAL2 above DRVAL1")
    finding(made, "1 of its dredged areas are not regularly maintained")
    finding(made, "1 DEPARE are points or lines")
    finding(made, "1 depth contours say no depth")


def test_nothing_outside_the_coverage_is_known_water() -> None:
    half = box(10.0, 50.0, 10.2, 50.2)
    wreck_out, wreck_in = Point(10.3, 50.1), Point(10.1, 50.1)
    made = chart_made([cell([DEEP, ("WRECKS", wreck_in, {}), ("WRECKS", wreck_out, {})], cover=half)])
    assert shapely.union_all(layer(made, "chart-depth").geometry).equals(half)
    assert [row["shape"] for row in rows(made, "chart-hazards")] == [wreck_in]
    # CATCOV 2 covers nothing.
    bare = cell([DEEP])
    empty = dataclasses.replace(bare.objects["M_COVR"], attributes={"CATCOV": (2,)})
    for objects in ({**bare.objects, "M_COVR": empty}, {"DEPARE": bare.objects["DEPARE"]}):
        with pytest.raises(InputError, match="XX5TEST1: the cell does not say what it covers"):
            chart_made([dataclasses.replace(bare, objects=objects)])


def test_an_area_within_one_quality_is_kept_whole_and_one_across_is_cut() -> None:
    zones = [("M_QUAL", box(10.0 + i / 20, 50.0, 10.05 + i / 20, 50.2), {"CATZOC": i + 1}) for i in range(6)]
    made = chart_made([cell([DEEP, *zones, ("WRECKS", Point(10.12, 50.1), {"VALSOU": 20.0})])])
    got = {row["zoc"]: row["uncertainty"] for row in rows(made, "chart-depth")}
    # source: CATZOC of check_values.md at the areas' DRVAL1 of 9.1 m; U and no zone have no number
    expected = {"A1": 0.591, "A2": 1.182, "B": 1.182, "C": 2.455, "D": 2.455, "U": 0.0, "": 0.0}
    assert got == pytest.approx(expected)
    assert sum(shapely.area(layer(made, "chart-depth").geometry)) == pytest.approx(WHOLE.area)
    words = layer(made, "chart-depth").keys["quality"]
    assert words.startswith("survey quality not assessed (CATZOC U) in 1")
    assert "not stated in 25 %" in words
    assert "worse than C (CATZOC D) in 1" in words
    finding(made, "not assessed (CATZOC U)")
    (wreck,) = rows(made, "chart-hazards")
    # Zone B: 50 m on top of the keep-out; 20 m less 1.0 m and 2 %
    assert (wreck["margin_m"], wreck["depth_m"]) == pytest.approx((100.0, 18.6))


def test_the_larger_scale_wins_and_closures_are_never_lost_to_it() -> None:
    coarse_rock, both = Point(10.1, 50.1), {"RESTRN": ("8",), "INFORM": "Keep out"}
    coarse = cell(
        [DEEP, ("UWTROC", coarse_rock, {}), ("UWTROC", Point(10.3, 50.1), {}),
         ("RESARE", box(10.1, 50.1, 10.3, 50.15), both),
         ("FAIRWY", box(10.1, 50.0, 10.3, 50.05), {}), ("SEAARE", WHOLE, {"OBJNAM": "Grey Bight"})],
        name="XX3TEST3", scale=90_000,
    )  # fmt: skip
    fine_cover = box(10.0, 50.0, 10.2, 50.2)
    fine = cell(
        [("DEPARE", WHOLE, {"DRVAL1": 3.6, "DRVAL2": 5.4}), ("SEAARE", WHOLE, {"OBJNAM": "Grey Bight"})],
        cover=fine_cover,
    )
    for cells in ([coarse, fine], [fine, coarse]):
        made = chart_made(cells)
        depth = {(row["cell"], row["DRVAL1"]): row["shape"] for row in rows(made, "chart-depth")}
        assert depth["XX5TEST1", 3.6].equals(fine_cover)
        assert depth["XX3TEST3", 9.1].equals(box(10.2, 50.0, 10.4, 50.2))
        assert [row["shape"].x for row in rows(made, "chart-hazards")] == [10.3]
        assert rows(made, "chart-lanes")[0]["shape"].equals(box(10.2, 50.0, 10.3, 50.05))
        assert rows(made, "chart-closures")[0]["shape"].equals(box(10.1, 50.1, 10.3, 50.15))
        assert [row["name"] for row in rows(made, "chart-marks")] == ["Grey Bight"]
    # Of one scale both are kept: the shallower wins where they overlap.
    same = chart_made([fine, dataclasses.replace(coarse, header=dataclasses.replace(coarse.header, scale=10_000))])
    assert len(rows(same, "chart-depth")) == 2


def test_a_repeat_of_a_closure_counts_once_and_another_shape_of_it_twice() -> None:
    zone = ("RESARE", box(10.1, 50.1, 10.2, 50.15), {"RESTRN": ("8",)})
    one = cell([DEEP, zone])
    two = cell([DEEP, zone], name="XX4TEST1", scale=40_000)
    assert len(rows(chart_made([one, two]), "chart-closures")) == 1
    wider = cell([DEEP, ("RESARE", box(10.1, 50.1, 10.25, 50.15), {"RESTRN": ("8",)})], name="XX4TEST1", scale=40_000)
    made = chart_made([wider, one])
    assert [row["id"] for row in rows(made, "chart-closures")] == ["10001", "10001-XX4TEST1"]
    assert {one.feature for one in made.decisions} == {"10001", "10001-XX4TEST1"}


def test_what_no_table_knows_is_kept_off() -> None:
    made = chart_made([cell([DEEP, ("Generic", box(10.01, 50.01, 10.02, 50.02), {})])])
    (row,) = rows(made, "chart-hazards")
    assert (row["kind"], row["margin_m"]) == ("object of a class that is not known here", 50.0)


def test_every_code_of_restrn_on_any_class() -> None:
    boxes = [box(10.0 + i / 100, 50.0, 10.005 + i / 100, 50.1) for i in range(27)]
    things = [("CBLARE", shape, {"RESTRN": (str(i + 1),)}) for i, shape in enumerate(boxes)]
    made = chart_made([cell([DEEP, *things])])
    banned = {row["says"]: (row["forbids"], row["methods"]) for row in rows(made, "chart-closures")}
    # source: RESTRN of check_values.md
    expected = {3: ("fishing", ""), 4: ("fishing", ""), 5: ("fishing", "trawl"), 6: ("fishing", "trawl")}
    expected |= dict.fromkeys((7, 8, 14), ("entry", ""))
    assert banned == {f"cable area, {RESTRN[str(n)]} (RESTRN {n})": ban for n, ban in expected.items()}
    # Prohibited in so many words is nothing to decide, nor is what speaks of the trawl only.
    assert len(made.decisions) == 3
    assert not any("prohibited (RESTRN 3)" in one.says or "RESTRN 7" in one.says for one in made.decisions)
    # A cable area is to be pointed out whatever it forbids, with its restriction in words.
    told = {row["note"] for row in rows(made, "chart-cautions")}
    assert told == {f"{words} (RESTRN {code})" for code, words in RESTRN.items()}


def test_a_closure_says_what_the_chart_says_and_when() -> None:
    said = {
        "RESTRN": ("2", "8"),
        "CATREA": ("1",),
        "INFORM": "Security Zone, 33 CFR 165.116.",
        "TXTDSC": "XX000514.TXT",
    }
    shape = box(10.1, 50.1, 10.2, 50.15)
    silent = ("RESARE", box(10.2, 50.1, 10.3, 50.15), {})
    odd = ("RESARE", box(10.3, 50.1, 10.35, 50.15), {"RESTRN": ("4",), "DATSTA": "2026", "OBJNAM": "Seal Ledge"})
    made = chart_made([cell([DEEP, ("RESARE", shape, {**said, "PERSTA": "--1101", "PEREND": "--0430"}), silent, odd])])
    zone, other, seal = rows(made, "chart-closures")
    words = "anchoring restricted (RESTRN 2), entry restricted (RESTRN 8), offshore safety zone (CATREA 1)"
    assert zone["says"] == f"{words}: Security Zone, 33 CFR 165.116"
    assert (zone["name"], zone["forbids"], zone["from"], zone["until"]) == ("Security Zone", "entry", "11-01", "04-30")
    assert zone["rule"] == "Security Zone, 33 CFR 165.116 (XX000514.TXT)"
    assert zone["margin_m"] is None
    assert (other["name"], other["forbids"]) == ("restricted area 10002", "fishing")
    assert (seal["name"], seal["from"], seal["until"]) == ("Seal Ledge", "01-01", "12-31")
    assert [one.state for one in made.decisions] == [zone["state"], other["state"], seal["state"]]
    finding(made, "without RESTRN and CATREA")
    assert "DATSTA 2026" in finding(made, "holds all year")
    assert "XX000514.TXT" in finding(made, "did not come with it")
    # The state is of what was looked at: codes, texts and shape, and nothing else.
    states = [
        rows(chart_made([cell([DEEP, ("RESARE", where, {**said, **more})])]), "chart-closures")[0]["state"]
        for where, more in ((shape, {}), (shape, {"SORDAT": "2026"}), (shape, {"INFORM": "Gone"}), (silent[1], {}))
    ]
    assert states[0] == states[1]
    assert len(set(states)) == 3


def test_a_ban_that_cannot_be_drawn_is_a_finding_and_a_caution() -> None:
    made = chart_made([cell([DEEP, ("CTNARE", Point(10.1, 50.1), {"RESTRN": ("7",), "INFORM": "Blasting"})])])
    assert not any(one.role == "closure" for one in made.layers)
    assert "entry prohibited (RESTRN 7): Blasting" in finding(made, "how far the ban reaches is not known")
    assert rows(made, "chart-cautions")[0]["kind"] == "caution area"


def test_what_a_route_check_must_point_out_is_never_lost() -> None:
    # source: IMO MSC.232(82) appendix 4 with its S-57 classes, as in check_values.md
    classes = ["TSEZNE", "ISTZNE", "RESARE", "CTNARE", "OSPARE", "MIPARE", "SPLARE", "SUBTLN", "ACHARE", "MARCUL"]
    areas = [box(10.0 + i / 30, 50.0, 10.02 + i / 30, 50.1) for i in range(len(classes))]
    made = chart_made([cell([DEEP, *((name, shape, {}) for name, shape in zip(classes, areas, strict=True))])])
    roles: dict[str, set[str]] = {}
    for one in made.layers:
        if one.role in ("closure", "lane", "hazard", "caution"):
            for feature in one.attributes["id"]:
                roles.setdefault(feature, set()).add(one.role)
    assert [roles[f"1{i + 1:04d}"] for i in range(len(classes))] == [
        {"lane"}, {"caution"}, {"closure", "caution"}, *[{"caution"}] * 6, {"hazard", "caution"},
    ]  # fmt: skip
    assert not set(LANES) & set(CAUTIONS)


def test_hazards_say_what_they_are_how_deep_and_how_far_to_keep_off() -> None:
    wreck = {"CATWRK": 2, "WATLEV": 3, "VALSOU": 4.5, "OBJNAM": "Old Tern", "QUASOU": ("6",)}
    made = chart_made(
        [
            cell(
                [
                    DEEP,
                    ("WRECKS", Point(10.1, 50.1), wreck),
                    ("UWTROC", Point(10.11, 50.1), {"WATLEV": 4, "VALSOU": -1.2}),
                    ("OBSTRN", Point(10.12, 50.1), {"CATOBS": 6, "VALSOU": 3.0, "QUASOU": ("8",)}),
                    ("SLCONS", LineString([(10.13, 50.1), (10.14, 50.1)]), {"CATSLC": 4, "WATLEV": 2}),
                    ("LNDARE", Point(10.15, 50.1), {"OBJNAM": "Gull Rock"}),
                    ("LNDARE", box(10.16, 50.1, 10.17, 50.11), {}),
                ]
            )
        ]
    )
    by_kind = {row["kind"]: (row["name"], row["margin_m"], row["depth_m"]) for row in rows(made, "chart-hazards")}
    assert by_kind == {
        "wreck, dangerous, always under water, 4.5 m over it": ("Old Tern", 50.0, 4.5),
        "rock, covers and uncovers, dries 1.2 m": ("rock", 50.0, -1.2),
        "obstruction, foul area, 3 m over it, doubtful": ("obstruction", 50.0, None),
        "shoreline structure, pier, always dry": ("shoreline structure", None, None),
        "islet": ("Gull Rock", None, None),
    }
    assert [row["margin_m"] for row in rows(made, "chart-land")] == [None]
    finding(made, "1 hazards have an unknown or doubtful depth")


def test_what_the_shore_standoff_keeps_off_is_wider_by_the_doubt_of_its_place() -> None:
    pier, land = LineString([(10.13, 50.1), (10.14, 50.1)]), box(10.16, 50.1, 10.17, 50.11)
    lane, ferry = box(10.2, 50.0, 10.3, 50.05), LineString([(10.2, 50.1), (10.3, 50.1)])
    zone = ("M_QUAL", WHOLE, {"CATZOC": 3})
    things = [("SLCONS", pier, {}), ("LNDARE", land, {}), ("FAIRWY", lane, {}), ("FERYRT", ferry, {}), zone]
    made = chart_made([cell([DEEP, *things, ("RESARE", lane, {"RESTRN": ("8",)})])])
    (wide,) = rows(made, "chart-hazards")
    assert wide["margin_m"] is None
    assert "drawn 50 m wider" in wide["kind"]
    # 50 m north and 50 m east, in degrees of this latitude
    north, east = (wide["shape"].bounds[i] - pier.bounds[i] for i in (3, 2))
    assert 50.0 / 111_200 <= north <= 52.0 / 111_200
    assert 50.0 / 71_500 <= east <= 52.0 / 71_500
    assert rows(made, "chart-land")[0]["margin_m"] == 50.0
    assert {row["kind"]: row["margin_m"] for row in rows(made, "chart-lanes")} == {
        "fairway": 50.0,
        "ferry route": 100.0,
    }
    assert rows(made, "chart-closures")[0]["margin_m"] == 50.0


def test_a_sounding_shallower_than_its_area_becomes_a_hazard() -> None:
    west, east = box(10.0, 50.0, 10.2, 50.2), box(10.2, 50.0, 10.4, 50.2)
    areas = [("DEPARE", west, {"DRVAL1": 5.4, "DRVAL2": 9.1}), ("DEPARE", east, {"DRVAL1": 9.1, "DRVAL2": 18.2})]
    soundings = [Point(10.1, 50.1, 6.0), Point(10.1, 50.11, 4.9), Point(10.3, 50.1, 6.0), Point(10.2, 50.1, 6.0)]
    made = chart_made([cell([*areas, *(("SOUNDG", point, {"QUASOU": ("1",)}) for point in soundings)])])
    told = rows(made, "chart-soundings")
    assert [row["depth"] for row in told] == [6.0, 4.9, 6.0, 6.0]
    assert not any(shapely.has_z(layer(made, "chart-soundings").geometry))
    # The one on the edge is not shallower than the shoaler of its areas.
    shoals = rows(made, "chart-hazards")
    assert [(row["kind"], row["depth_m"]) for row in shoals] == [
        ("shoal sounding, 4.9 m", 4.9),
        ("shoal sounding, 6 m", 6.0),
    ]
    assert shoals[1]["shape"].equals(Point(10.3, 50.1))
    finding(made, "2 soundings are shallower")


def test_depths_from_another_datum_are_unknown_here() -> None:
    pool = box(10.3, 50.0, 10.4, 50.2)
    wreck = ("WRECKS", Point(10.35, 50.1), {"VALSOU": 4.0})
    told = ("M_SDAT", pool, {"VERDAT": 24})
    made = chart_made([cell([DEEP, told, wreck, ("SOUNDG", Point(10.35, 50.1, 3.0), {})])])
    depth = {row["DRVAL1"]: row["shape"] for row in rows(made, "chart-depth")}
    assert depth[9.1].equals(box(10.0, 50.0, 10.3, 50.2))
    assert depth[None].equals(pool)
    (row,) = rows(made, "chart-hazards")
    assert (row["depth_m"], row["kind"]) == (None, "wreck, 4 m over it from another datum")
    finding(made, "1 of its depth areas count depth from another datum")
    with pytest.raises(InputError, match="different datums: XX5TEST1 MLLW, XX5TEST2 LAT"):
        chart_made([cell([DEEP]), cell([DEEP], name="XX5TEST2", sounding_datum=23)])
    with pytest.raises(InputError, match="horizontal datum 1 "):
        chart_made([cell([DEEP], horizontal_datum=1)])
    with pytest.raises(InputError, match="more than once"):
        chart_made([cell([DEEP]), cell([DEEP])])
    with pytest.raises(InputError, match="there is no cell"):
        chart_made([])


def test_where_it_came_from_and_what_is_not_shown_is_told() -> None:
    things = [
        ("LIGHTS", Point(10.1, 50.1), {}),
        ("LIGHTS", Point(10.2, 50.1), {}),
        ("HRBFAC", Point(10.1, 50.1), {}),
        ("SMCFAC", Point(10.1, 50.1), {"OBJNAM": "Tern Marina"}),
        ("CTNARE", Point(10.1, 50.1), {"INFORM": "Shoal 0.6 meters/2 feet reported"}),
        ("DEPARE", Polygon([(10, 50), (10.1, 50.1), (10.1, 50), (10, 50.1)]), {"DRVAL1": 1.0}),
        ("DEPARE", None, {"DRVAL1": 1.0}),
    ]
    made = chart_made([cell([DEEP, *things], texts=["XX000514.TXT"])])
    (origin,) = made.origins
    assert (origin.name, origin.kind, origin.edition, origin.update, origin.issued, origin.scale) == (
        "XX5TEST1", "chart", "2", "1", date(2026, 3, 1), 10_000,
    )  # fmt: skip
    assert origin.source == "IHO S-57 cell XX5TEST1, agency 9999"
    assert [file.name for file in origin.files] == ["XX5TEST1.000", "XX5TEST1.001", "XX000514.TXT"]
    assert "1 HRBFAC, 2 LIGHTS (" in finding(made, "shown nowhere")
    assert "Shoal 0.6 meters" in finding(made, "it says")
    assert "2 DEPARE" in finding(made, "crosses itself")
    assert [(row["name"], row["kind"], row["private"]) for row in rows(made, "chart-marks")] == [
        ("Tern Marina", "harbor", False)
    ]


def test_a_cell_that_was_written_and_read(tmp_path: Path) -> None:
    soundings = MultiPoint([(10.1, 50.1, 12.0), (10.2, 50.1, 8.0)])
    written = write_cell(
        tmp_path / "XX5TEST1.000",
        [
            ("M_COVR", WHOLE, {"CATCOV": 1}),
            ("M_QUAL", WHOLE, {"CATZOC": 2}),
            DEEP,
            ("SOUNDG", soundings, {}),
            ("RESARE", box(10.1, 50.1, 10.2, 50.15), {"RESTRN": ("16", "27", "8"), "CATREA": ("28",)}),
            ("RESARE", box(10.25, 50.1, 10.3, 50.15), {"RESTRN": ("16",)}),
        ],
    )
    (files,) = find_cells([written.base], tmp_path / "scratch")
    made = chart_made([read_cell(files)])
    (area,) = rows(made, "chart-depth")
    assert (area["DRVAL1"], area["DRVAL2"], area["zoc"]) == (9.1, 18.2, "A2")
    assert area["uncertainty"] == pytest.approx(1.182)
    (zone,) = rows(made, "chart-closures")
    assert zone["forbids"] == "entry"
    assert "speed restricted (RESTRN 27)" in zone["says"]
    assert [row["depth_m"] for row in rows(made, "chart-hazards")] == pytest.approx([8.0 - 1.16])
    _, caution = rows(made, "chart-cautions")
    assert (caution["kind"], caution["note"]) == ("restricted area", "discharging prohibited (RESTRN 16)")


def test_a_mended_closure_is_never_smaller_and_mended_water_never_larger() -> None:
    turns = np.radians(np.arange(5) * 144.0)
    star = Polygon(np.column_stack([10.2 + 0.1 * np.sin(turns), 50.1 + 0.1 * np.cos(turns)]))
    made = chart_made([cell([("DEPARE", star, {"DRVAL1": 9.1}), ("RESARE", star, {"RESTRN": ("7",)})])])
    middle = Point(10.2, 50.1)
    assert rows(made, "chart-closures")[0]["shape"].contains(middle)
    assert not rows(made, "chart-depth")[0]["shape"].contains(middle)
    assert "1 DEPARE, 1 RESARE" in finding(made, "crosses itself")


@pytest.mark.realdata
@pytest.mark.skipif(not REAL.exists(), reason="the public chart cell is not in ../shared/data")
def test_the_real_cell(tmp_path: Path) -> None:
    (files,) = find_cells([REAL], tmp_path)
    made = chart_made([read_cell(files)])
    depth = rows(made, "chart-depth")
    # source: the issue and the data's README: 563 depth areas, 1,082 contours, 4,226 soundings, 3 unsurveyed areas
    assert Counter(row["kind"] for row in depth) == {"depth area": 563, "dredged area": 16, "unsurveyed area": 3}
    assert len(rows(made, "chart-contours")) == 1082
    assert len(rows(made, "chart-soundings")) == 4226
    assert len({row["id"] for row in rows(made, "chart-soundings")}) == 4226
    # 31 depth areas and 6 dredged areas lie above the locks, where depths are from the pool's own datum.
    assert sum(row["DRVAL1"] is None for row in depth) == 31 + 6 + 3
    assert layer(made, "chart-depth").keys["quality"].startswith("survey quality not assessed (CATZOC U) in 100 %")
    # Two restricted areas with RESTRN 7 and three with 8; one with 16 only is no ban; cables and pipelines: trawling.
    bans = Counter((row["forbids"], row["methods"]) for row in rows(made, "chart-closures"))
    assert bans == {("entry", ""): 5, ("fishing", "trawl"): 20}
    assert sum("RESTRN 7" in row["says"] for row in rows(made, "chart-closures")) == 2
    assert sum("RESTRN 8" in one.says for one in made.decisions) == 3
    assert len(made.decisions) == 3
    closed = {row["id"] for row in rows(made, "chart-closures")}
    areas = [row for row in rows(made, "chart-cautions") if row["kind"] == "restricted area"]
    (no_ban,) = (row["note"] for row in areas if row["id"] not in closed)
    assert (len(areas), no_ban.split(":")[0].split(";")[0]) == (6, "discharging prohibited (RESTRN 16)")
    kinds = Counter(row["kind"].split(",")[0] for row in rows(made, "chart-hazards"))
    assert (kinds["wreck"], kinds["rock"], kinds["obstruction"], kinds["pile"]) == (76, 169, 98, 315)
    assert kinds["shoal sounding"] == 0
    assert made.origins[0].issued == date(2016, 4, 27)
