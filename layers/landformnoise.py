"""How much sampled depth scatters between its cells, told from the depth alone."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from layers.landformregions import shifted
from layers.model import Bounds, Depth, FloatArray
from layers.relief import Surface, is_surface, sample

_BLOCK = 16
_LAGS = (1, 2, 3, 4)
_LEAST_KNOWN = 64
_NORMAL = 1.4826
"""A normal scatter's standard deviation over its median absolute value."""
_QUIET = 25.0
_LOOKS = 3
_LOOK_CELLS = 80


def scatter_m(surface: Surface) -> FloatArray:
    """Return the scatter of depth in blocks of 16 × 16 cells, standard deviation, metres, one a block that is known.

    The second difference z(-k) - 2 z(0) + z(k) is nothing on a slope and scatters √6 times as much as depth does; of
    its median absolute values at 1, 2, 3 and 4 cells the largest counts, for scatter that lasts over several cells
    shows only at the wider ones. Rough ground counts as scatter; what dries is left out, for it is often drawn flat.

    >>> round(float(np.median(scatter_m(Surface(0, 0, 10, np.random.default_rng(1).normal(9, 0.3, (160, 160)))))), 1)
    0.3
    """
    z = np.where(surface.depth_m > 0, surface.depth_m, np.nan)
    found = []
    for i, j in itertools.product(range(0, z.shape[0], _BLOCK), range(0, z.shape[1], _BLOCK)):
        reach = max(_LAGS)
        part = z[max(i - reach, 0) : i + _BLOCK + reach, max(j - reach, 0) : j + _BLOCK + reach]
        most = 0.0
        for lag in _LAGS:
            across = [shifted(part, lag, 0) + shifted(part, -lag, 0), shifted(part, 0, lag) + shifted(part, 0, -lag)]
            second = np.concatenate([(one - 2 * part).ravel() for one in across])
            second = second[np.isfinite(second)]
            if len(second) < _LEAST_KNOWN:
                break
            most = max(most, _NORMAL * float(np.median(np.abs(second))) / np.sqrt(6.0))
        else:
            found.append(most)
    return np.array(found)


def noise_m(depth: Depth, cell_m: float, within: Bounds) -> float:
    """Return the scatter of depth sampled in cells, standard deviation, metres: that of its quietest quarter.

    Where the bottom is smooth, what is left is the survey's own. A large box is looked at in 3 × 3 windows.
    """
    looks = [one for one in _looks(within, _LOOK_CELLS * cell_m) if is_surface(depth, one)]
    blocks = [scatter_m(sample(depth, one, cell_m)) for one in looks]
    every = np.concatenate(blocks) if blocks else np.empty(0)
    return float(np.percentile(every, _QUIET)) if len(every) else 0.0


def _looks(box: Bounds, side_m: float) -> Sequence[Bounds]:
    west, south, east, north = box
    spans = []
    for low, high in ((west, east), (south, north)):
        if high - low <= side_m:
            spans.append([(low, high)])
        else:
            starts = np.linspace(low, high - side_m, _LOOKS)
            spans.append([(float(one), float(one + side_m)) for one in starts])
    return [(w, s, e, n) for (w, e), (s, n) in itertools.product(*spans)]
