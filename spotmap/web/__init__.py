"""The map page's own scripts, styles and licence texts, and those of Leaflet that it carries."""

from __future__ import annotations

import base64
import re
from importlib.resources import files

SCRIPTS = (
    *("shapes.js", "water.js", "labels.js", "legs.js", "lures.js", "clock.js"),
    *("forms.js", "bottom.js", "section.js", "panel.js", "page.js"),
)
"""In the order they are joined; the last one starts the page."""
STYLES = ("palette.css", "page.css", "bottom.css")

_IMAGE = re.compile(r"url\((images/[\w-]+\.png)\)")
_LEFT_OUT = re.compile(r"\s*(?:/\*.*?\*/|behavior:[^;]*;)", re.DOTALL)
"""Comments, which name web addresses, and a rule for a browser long gone that names a file."""
_SOURCE_MAP = re.compile(r"^//# sourceMappingURL=.*$", re.MULTILINE)


def own(name: str) -> str:
    """Return the text of one of this package's files."""
    return files(__name__).joinpath(name).read_text(encoding="utf-8")


def leaflet_script() -> str:
    """Return Leaflet's script, without the line that would have a browser look for its source map."""
    return _SOURCE_MAP.sub("", _leaflet("leaflet.js").decode()).strip()


def leaflet_style() -> str:
    """Return Leaflet's style with its images inside, so that it asks for no other file."""
    style = _LEFT_OUT.sub("", _leaflet("leaflet.css").decode())
    return _IMAGE.sub(lambda found: f"url({_data_uri(found[1])})", style).strip()


def _leaflet(name: str) -> bytes:
    return files("xstatic.pkg.leaflet").joinpath("data", name).read_bytes()


def _data_uri(name: str) -> str:
    return f"data:image/png;base64,{base64.b64encode(_leaflet(name)).decode()}"
