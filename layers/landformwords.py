"""Forms of the bottom in words, in a person's units."""

from __future__ import annotations

from typing import TYPE_CHECKING

from layers.units import format_quantity

if TYPE_CHECKING:
    from layers.model import Landform, Show

_LONG_M = 1000.0
_GENTLE_DEG = 1.0


def landform_words(form: Landform, show: Show) -> str:
    """Return a form's name, its kind where the name does not begin with it, and its figures.

    Examples
    --------
    >>> from shapely import box
    >>> from layers.model import Landform, Show
    >>> form = Landform("hump 1", "hump", box(0, 0, 60, 60), 75, 30, 38, 6, 8, 80, 3)
    >>> landform_words(form, Show("m", "NM", "kn"))
    'hump 1: stands 6 m above the water around; 30 m to 38 m deep; 80 m long; 8° steep; scale 75 m, significance 3.0'
    """
    named = form.name if form.name.startswith(form.kind) else ", ".join(filter(None, (form.name, form.kind)))
    return f"{named}: {figure_words(form, show)}"


def figure_words(form: Landform, show: Show) -> str:
    """Return a form's figures: how far it stands out, its depths, length and steepness, its scale, how sure it is.

    A length below a kilometre is in metres or, where depth is shown in feet or fathoms, in feet.
    """

    def depth(value: float) -> str:
        return format_quantity(value, show.depth)

    short = "m" if show.depth == "m" else "ft"
    least, most = depth(form.depth_min_m), depth(form.depth_max_m)
    span = f"{most} deep" if least == most else f"{least} to {most} deep"
    far = format_quantity(round(form.length_m, -1), short)
    if form.length_m >= _LONG_M:
        far = format_quantity(form.length_m, show.distance, 2)
    rise = depth(form.height_m)
    what = {
        "hump": f"stands {rise} above the water around",
        "hole": f"lies {rise} below the water around",
        "point": f"stands out by {rise} from the slope",
        "pocket": f"is let into the slope by {rise}",
        "ledge": f"goes down by {rise}",
        "drop-off": f"goes down by {rise}",
        "saddle": f"rises and falls by {rise} within {format_quantity(form.scale_m, short)}",
        "flat": f"its depth differs by {rise}",
    }[form.kind]
    steep = f"{form.slope_deg:.{int(form.slope_deg < _GENTLE_DEG)}f}° steep"
    scale = f"scale {format_quantity(form.scale_m, 'm')}, significance {form.significance:.1f}"
    return f"{what}; {span}; {far} long; {steep}; {scale}"
