"""How a GIS draws an area's layers: QML and SLD 1.0 in colours of our own that also print in black and white."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from xml.etree.ElementTree import Element, SubElement, tostring

Kind = Literal[
    "closure", "ground", "hazard", "lane", "caution", "mark", "land", "depth areas", "depth contours", "depth soundings"
]
Dimension = Literal["points", "lines", "areas"]

STEPS_M = (0.0, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0)
"""Depth areas change their colour at these least depths, each the double of the one before."""
_DRIES, _RAMP = "#dca06a", ("#fdf2dd", "#eae7c6", "#cfdcbc", "#b0ceb6", "#93bfb5", "#7cb1b5", "#66a3b1")
_UNKNOWN, _UNKNOWN_INK = "#e3e1e6", "#77737f"
_INK, _PAPER = "#14110f", "#ffffff"
_DEPTH_INK = "#3f5f5e"
_PX_PER_MM = 90.0 / 25.4
"""SLD 1.0 counts in pixels; 90 to the inch are the usual reading."""
_DIMENSIONS: tuple[Dimension, ...] = ("points", "lines", "areas")
_OGC, _SLD = "http://www.opengis.net/ogc", "http://www.opengis.net/sld"
_QGIS_DIMENSION = {"points": "Point", "lines": "Line", "areas": "Polygon"}


@dataclass(frozen=True)
class DepthColumn:
    """The attribute of depth areas that holds their least depth, and the metres of depth that one of it is."""

    name: str
    factor: float


@dataclass(frozen=True)
class _Test:
    """What an attribute must be for a look to be taken: a text, none at all, or a depth from `low_m` to `high_m`."""

    column: str
    text: str | None = None
    null: bool = False
    low_m: float | None = None
    high_m: float | None = None
    factor: float = 1.0


@dataclass(frozen=True)
class _Look:
    """One way of drawing: `hatch` is the angles of the lines in degrees, `stroke_mm` of 0 draws no outline."""

    label: str
    stroke: str
    stroke_mm: float = 0.3
    dashes: tuple[int, ...] = ()
    fill: str | None = None
    opacity: float = 1.0
    hatch: tuple[int, ...] = ()
    mark: str = "circle"
    size_mm: float = 2.4
    test: _Test | None = None


_PLAIN: dict[Kind, _Look] = {
    "ground": _Look("open while it is active", "#2e5d3a", 0.6, (6, 2), "#2e5d3a", 0.08),
    "hazard": _Look("hazard", _INK, 0.5, fill="#ffb000", opacity=0.6, mark="triangle", size_mm=3.0),
    "lane": _Look("lane or route", "#33405c", 0.5, (8, 3), "#33405c", 0.1),
    "caution": _Look("take care", "#7a2e68", 0.5, (2, 2), "#7a2e68", 0.08, mark="square"),
    "mark": _Look("mark", _INK, 0.4, fill=_PAPER, mark="square"),
    "land": _Look("land", "#2b2622", 0.3, fill="#857c70"),
    "depth contours": _Look("depth line", _DEPTH_INK, 0.25),
    "depth soundings": _Look("sounding", _DEPTH_INK, 0.2, fill=_DEPTH_INK, size_mm=0.6),
}


def style(
    kind: Kind,
    table: str,
    columns: Sequence[str],
    dimensions: Sequence[Dimension],
    depth: DepthColumn | None = None,
) -> tuple[str, str]:
    """Return how a table of features is drawn.

    Parameters
    ----------
    kind
        What the features are.
    table
        The table's name.
    columns
        Its attributes, as they are named there; what is drawn by an attribute asks for it here.
    dimensions
        What its geometry is; several where it is mixed.
    depth
        For depth areas: the attribute that they are coloured by.

    Returns
    -------
    tuple of str
        A QML document and an SLD 1.0 document.
    """
    named = {name.casefold(): name for name in columns}
    looks = _looks(kind, named, depth)
    wanted = ("valdco", "depth", "depth_m", "valsou", "contour", "z") if kind.startswith("depth") else ("name",)
    label = "" if kind == "depth areas" else next((named[one] for one in wanted if one in named), "")
    kinds = [one for one in _DIMENSIONS if one in dimensions] or ["points"]
    ink = looks[0].stroke if kind != "land" else _INK
    return _qml(looks, kinds, label, ink), _sld(table, looks, kinds, label, ink)


def _looks(kind: Kind, named: dict[str, str], depth: DepthColumn | None) -> list[_Look]:
    if kind == "closure":
        fishing = _Look("no fishing", "#741400", 0.7, fill="#741400", opacity=0.06, hatch=(45,))
        if "forbids" not in named:
            return [fishing]
        entry = _Look("no entry", _INK, 0.9, fill=_INK, opacity=0.06, hatch=(45, 135))
        return [_tested(entry, _Test(named["forbids"], text="entry")), fishing]
    if kind == "depth areas" and depth is not None:
        return _depth_looks(depth)
    return [_PLAIN.get(kind, _Look("depth", _DEPTH_INK, 0.25, fill=_RAMP[0]))]


def _depth_looks(depth: DepthColumn) -> list[_Look]:
    bounds = [None, *STEPS_M, None]
    looks = []
    for low, high, colour in zip(bounds, bounds[1:], (_DRIES, *_RAMP), strict=False):
        words = "dries" if low is None else f"{low:g} m and deeper" if high is None else f"{low:g} to {high:g} m"
        test = _Test(depth.name, low_m=low, high_m=high, factor=depth.factor)
        looks.append(_Look(words, _DEPTH_INK, 0.15, fill=colour, test=test))
    unknown = _Look("unknown", _UNKNOWN_INK, 0.2, fill=_UNKNOWN, hatch=(0,), test=_Test(depth.name, null=True))
    return [*looks, unknown]


def _tested(look: _Look, test: _Test) -> _Look:
    return _Look(**{**look.__dict__, "test": test})


def _limits(test: _Test) -> list[tuple[str, float]]:
    """Return what the attribute is compared with: the operator and the number, in its own unit."""
    up = test.factor > 0
    told = []
    if test.low_m is not None:
        told.append((">=" if up else "<=", test.low_m / test.factor))
    if test.high_m is not None:
        told.append(("<" if up else ">", test.high_m / test.factor))
    return [(sign, number + 0.0) for sign, number in told]  # + 0.0: elevation's -0 is 0


# ---- QML


def _qml(looks: Sequence[_Look], kinds: Sequence[Dimension], label: str, ink: str) -> str:
    root = Element("qgis", version="3.22.0", styleCategories="Symbology|Labeling")
    renderer = SubElement(
        root, "renderer-v2", type="RuleRenderer", symbollevels="0", forceraster="0", enableorderby="0"
    )
    rules = SubElement(renderer, "rules", key="rules")
    symbols = SubElement(renderer, "symbols")
    for look in looks:
        for kind in kinds:
            number = str(len(symbols))
            rule = SubElement(rules, "rule", key=f"rule{number}", symbol=number, label=look.label)
            parts = [_expression(look.test)] if look.test else []
            parts += [f"geometry_type($geometry) = '{_QGIS_DIMENSION[kind]}'"] if len(kinds) > 1 else []
            if parts:
                rule.set("filter", " AND ".join(parts))
            elif len(looks) > 1:
                rule.set("filter", "ELSE")
            _symbol(symbols, number, look, kind)
    if label:
        _qml_label(root, label, ink)
    text = tostring(root, encoding="unicode")
    return f"<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n{text}\n"


def _expression(test: _Test | None) -> str:
    if test is None:
        return "TRUE"
    column = '"' + test.column.replace('"', '""') + '"'
    if test.null:
        return f"{column} IS NULL"
    if test.text is not None:
        return f"coalesce(lower(trim({column})) = '{test.text}', FALSE)"
    return " AND ".join(f"{column} {sign} {number!r}" for sign, number in _limits(test))


def _symbol(parent: Element, name: str, look: _Look, kind: Dimension) -> None:
    types = {"points": "marker", "lines": "line", "areas": "fill"}
    symbol = SubElement(parent, "symbol", name=name, type=types[kind], alpha="1", clip_to_extent="1", force_rhr="0")
    if kind == "points":
        fill = look.fill or look.stroke
        options = {"name": look.mark, "color": _rgba(fill), "outline_color": _rgba(look.stroke)}
        options |= {"outline_width": "0.3", "outline_width_unit": "MM", "size": f"{look.size_mm:g}", "size_unit": "MM"}
        _layer(symbol, "SimpleMarker", options)
    elif kind == "lines":
        _layer(symbol, "SimpleLine", _line_options(look))
    else:
        style_of = "no" if look.fill is None else "solid"
        options = {"color": _rgba(look.fill or _PAPER, look.opacity), "style": style_of}
        options |= {"outline_color": _rgba(look.stroke), "outline_width": f"{look.stroke_mm:g}"}
        options |= {"outline_style": "dash" if look.dashes else "solid", "outline_width_unit": "MM"}
        _layer(symbol, "SimpleFill", options)
        for at, angle in enumerate(look.hatch, 1):
            pattern = {"angle": str(angle), "distance": "1.8", "distance_unit": "MM"}
            layer = _layer(symbol, "LinePatternFill", pattern)
            inner = SubElement(layer, "symbol", name=f"@{name}@{at}", type="line", alpha="1", clip_to_extent="1")
            _layer(inner, "SimpleLine", {"line_color": _rgba(look.stroke), "line_width": "0.25"})


def _line_options(look: _Look) -> dict[str, str]:
    options = {"line_color": _rgba(look.stroke), "line_width": f"{look.stroke_mm:g}", "line_width_unit": "MM"}
    if look.dashes:
        options |= {"use_custom_dash": "1", "customdash": ";".join(map(str, look.dashes)), "customdash_unit": "MM"}
    return options


def _layer(symbol: Element, name: str, options: dict[str, str]) -> Element:
    layer = SubElement(symbol, "layer", {"class": name, "enabled": "1", "locked": "0", "pass": "0"})
    listed = SubElement(layer, "Option", type="Map")
    for key, value in options.items():
        SubElement(listed, "Option", name=key, type="QString", value=value)
    for key, value in options.items():  # programs from before 2021 read these
        SubElement(layer, "prop", k=key, v=value)
    return layer


def _qml_label(root: Element, column: str, ink: str) -> None:
    settings = SubElement(SubElement(root, "labeling", type="simple"), "settings", calloutType="simple")
    text = {"fieldName": column, "isExpression": "0", "fontSize": "8", "fontSizeUnit": "Point"}
    told = SubElement(settings, "text-style", text | {"textColor": _rgba(ink)})
    buffer = {"bufferDraw": "1", "bufferSize": "0.8", "bufferSizeUnits": "MM"}
    SubElement(told, "text-buffer", buffer | {"bufferColor": _rgba(_PAPER), "bufferOpacity": "1"})


def _rgba(colour: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


# ---- SLD 1.0


def _sld(table: str, looks: Sequence[_Look], kinds: Sequence[Dimension], label: str, ink: str) -> str:
    root = Element("StyledLayerDescriptor", {"version": "1.0.0", "xmlns": _SLD, "xmlns:ogc": _OGC})
    layer = SubElement(root, "NamedLayer")
    SubElement(layer, "Name").text = table
    user = SubElement(layer, "UserStyle")
    SubElement(user, "Name").text = table
    types = SubElement(user, "FeatureTypeStyle")
    for look in looks:
        rule = SubElement(types, "Rule")
        SubElement(rule, "Name").text = look.label
        if look.test is not None:
            _filter(rule, look.test)
        elif len(looks) > 1:
            SubElement(rule, "ElseFilter")
        for kind in reversed(kinds):  # areas first, so that points lie on them
            _symbolizer(rule, look, kind)
        if label:
            _sld_label(rule, label, ink)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{tostring(root, encoding="unicode")}\n'


def _filter(rule: Element, test: _Test) -> None:
    parent = SubElement(rule, "ogc:Filter")
    if test.null:
        SubElement(SubElement(parent, "ogc:PropertyIsNull"), "ogc:PropertyName").text = test.column
        return
    names = {
        ">=": "GreaterThanOrEqualTo",
        "<=": "LessThanOrEqualTo",
        "<": "LessThan",
        ">": "GreaterThan",
        "=": "EqualTo",
    }
    told: list[tuple[str, object]] = [("=", test.text)] if test.text is not None else [*_limits(test)]
    within = SubElement(parent, "ogc:And") if len(told) > 1 else parent
    for sign, value in told:
        compared = SubElement(within, f"ogc:PropertyIs{names[sign]}")
        SubElement(compared, "ogc:PropertyName").text = test.column
        SubElement(compared, "ogc:Literal").text = str(value)


def _symbolizer(rule: Element, look: _Look, kind: Dimension) -> None:
    if kind == "points":
        graphic = SubElement(SubElement(rule, "PointSymbolizer"), "Graphic")
        mark = SubElement(graphic, "Mark")
        SubElement(mark, "WellKnownName").text = look.mark
        _parameters(SubElement(mark, "Fill"), fill=look.fill or look.stroke)
        _parameters(SubElement(mark, "Stroke"), stroke=look.stroke, stroke_width="1")
        SubElement(graphic, "Size").text = f"{look.size_mm * _PX_PER_MM:.1f}"
        return
    if kind == "areas" and look.fill is not None:
        plain = SubElement(rule, "PolygonSymbolizer")
        _parameters(SubElement(plain, "Fill"), fill=look.fill, fill_opacity=f"{look.opacity:g}")
    if kind == "areas" and look.hatch:
        # SLD 1.0 knows no lines as a pattern; crosses and oblique crosses of its own names print as well
        pattern = SubElement(SubElement(SubElement(rule, "PolygonSymbolizer"), "Fill"), "GraphicFill")
        graphic = SubElement(pattern, "Graphic")
        mark = SubElement(graphic, "Mark")
        SubElement(mark, "WellKnownName").text = "x" if len(look.hatch) == 1 else "cross"
        _parameters(SubElement(mark, "Stroke"), stroke=look.stroke, stroke_width="1")
        SubElement(graphic, "Size").text = "8"
    line = SubElement(rule, "PolygonSymbolizer" if kind == "areas" else "LineSymbolizer")
    width = f"{look.stroke_mm * _PX_PER_MM:.1f}"
    dashes = {"stroke_dasharray": " ".join(f"{one * 2}" for one in look.dashes)} if look.dashes else {}
    _parameters(SubElement(line, "Stroke"), stroke=look.stroke, stroke_width=width, **dashes)


def _sld_label(rule: Element, column: str, ink: str) -> None:
    text = SubElement(rule, "TextSymbolizer")
    SubElement(SubElement(text, "Label"), "ogc:PropertyName").text = column
    _parameters(SubElement(text, "Font"), font_family="SansSerif", font_size="11")
    halo = SubElement(text, "Halo")
    SubElement(halo, "Radius").text = "2"
    _parameters(SubElement(halo, "Fill"), fill=_PAPER)
    _parameters(SubElement(text, "Fill"), fill=ink)


def _parameters(parent: Element, **values: str) -> None:
    for name, value in values.items():
        SubElement(parent, "CssParameter", name=name.replace("_", "-")).text = value
