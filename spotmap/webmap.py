"""The wheelhouse map: one HTML file that asks for nothing else.

folium and branca only ever see our own words: they make the page and the map object. What comes from data is
put in afterwards, as one block of JSON in which no character can end a script or open a template.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from typing import TYPE_CHECKING

import folium
from jinja2 import Template

from spotmap import web
from spotmap.mapdata import map_data
from spotmap.mapwords import NOT_FOR_NAVIGATION
from spotmap.tidegraph import trip_graph

if TYPE_CHECKING:
    from spotmap.model import Plan

_PAGE = Template(
    """\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="@policy@">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="robots" content="noindex">
<title>@title@</title>
<!--
@licence@
-->
<style>@style@</style>
</head>
<body>
<header id="head"><p class="caution">@caution@</p></header>
<main id="chart">{{ this.html.render() }}</main>
<div id="clock" role="group" aria-label="The trip by the clock"></div>
<nav id="strip" aria-label="Legs in the order worked"></nav>
<details id="panel"><summary>Trip, warnings and data</summary></details>
<div id="graphs" class="graphs" hidden>@graphs@</div>
<noscript><p class="caution">A script inside this file draws the map. Allow scripts to see it.</p></noscript>
<script id="plan-data" type="application/json">@data@</script>
<script>@leaflet@</script>
<script>
{{ this.script.render() }}
(function (map) {
"use strict";
@drawing@
}({{ kwargs.map_name }}));
</script>
</body>
</html>
"""
)
_GRAPHS = {"graph-narrow": 350.0, "graph-wide": 720.0}
"""The graph of the trip for the panel and for paper, by the name its ids begin with, and how wide each is."""
_SLOT = re.compile(r"@(\w+)@")
_SCRIPT = re.compile(r"<script>(.*?)</script>", re.DOTALL)
_JSON_TEXT = re.compile(r'"(?:[^"\\]|\\.)*"')
_UNSAFE = re.compile(r"[<>&{}%#`']")


def plan_map(plan: Plan) -> str:
    """Return the wheelhouse map of a plan as one self-contained HTML page.

    Parameters
    ----------
    plan
        A checked plan.

    Returns
    -------
    str
        HTML with scripts, styles and data inside. It loads nothing, and its Content-Security-Policy forbids
        loading; the same plan gives the same text. Private marks are shown and named as such: it is for the
        wheelhouse, not for a client.

    """
    data = map_data(plan)
    scripts = {
        "leaflet": web.leaflet_script(),
        "drawing": "\n".join(web.own(name) for name in web.SCRIPTS),
    }
    page = _SLOT.sub(lambda slot: scripts.get(slot[1], slot[0]), _skeleton(plan))
    words = {
        "policy": _policy(page),
        "title": _escaped(f"{data.title}, {data.subtitle}"),
        "licence": web.own("leaflet-licence.txt").strip(),
        "style": "\n".join((web.leaflet_style(), *(web.own(name) for name in web.STYLES))),
        "caution": NOT_FOR_NAVIGATION,
        "data": safe_json(data),
        "graphs": "".join(trip_graph(plan, width=width, name=name) for name, width in _GRAPHS.items()),
    }
    return _SLOT.sub(lambda slot: words.get(slot[1], slot[0]), page)


def safe_json(record: object) -> str:
    r"""Return a record as JSON that can stand in a page, whatever its texts hold.

    Parameters
    ----------
    record
        Dataclasses and sequences of numbers, texts and further such.

    Returns
    -------
    str
        ASCII. In keys and texts every character that HTML, a script or a template could read is written as
        its number.

    Examples
    --------
    >>> safe_json(("{{7*7}}", "</script>"))
    '["\\u007b\\u007b7*7\\u007d\\u007d","\\u003c/script\\u003e"]'

    """
    text = json.dumps(record, default=vars, separators=(",", ":"), allow_nan=False)
    return _JSON_TEXT.sub(lambda found: _UNSAFE.sub(lambda c: f"\\u{ord(c[0]):04x}", found[0]), text)


def _skeleton(plan: Plan) -> str:
    """Return folium's page: the map's element and the script that makes it, with slots for the rest."""
    projection = plan.area.projection
    chart = folium.Map(
        location=(projection.lat0_deg, projection.lon0_deg),
        tiles=None,
        max_zoom=19,
        min_zoom=5,
        zoom_snap=0.25,
        zoom_delta=0.75,
        attribution_control=False,
    )
    chart._id = "plan"  # noqa: SLF001  branca has no public way to a name that is the same in every build
    chart.default_js, chart.default_css = [], []
    figure = chart.get_root()
    figure._template = _PAGE  # noqa: SLF001  branca's own page has no language and forbids pinch zoom
    return str(figure.render(map_name=chart.get_name()))


def _policy(page: str) -> str:
    hashes = (hashlib.sha256(script.encode()).digest() for script in _SCRIPT.findall(page))
    allowed = " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in hashes)
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def _escaped(text: str) -> str:
    return html.escape(text).replace("{", "&#123;").replace("}", "&#125;")
