"""Harmonic constants: a tide or a current along an axis, computed for any moment.

The value at t is ``mean + Σ f H cos(V + u − g)``: amplitude H and Greenwich phase lag g of each constituent, its
equilibrium argument V, and the node factor f and angle u of Schureman, *Manual of Harmonic Analysis and Prediction of
Tides*, US C&GS Special Publication 98, 1958, which come from pyTMD (its corrections "FES" with M1 "Schureman" are that
book's formulas). Constants are meant as agencies that follow the book publish them, so:

- SA and SSA are V = h and 2h, S1 is V = T: the solar perigee does not enter (pyTMD's default for SA is 77° off).
- MM, MF and MSF have Schureman's f and u. 2MK3 is built of M2 and K1.
- M1 is the constituent of 14.4966939°/h, V = T − s + h + p − 90° (pyTMD calls it m1a, and another one m1), with
  Schureman's 206th formula. pyTMD takes its angle Q from an arctangent; here it is put into p's quadrant, as the
  book says.
- M3 is 3T − 3s + 3h with T counted from noon, half a turn from pyTMD's.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from layers._errors import InputError
from layers.model import FloatArray
from layers.tables import Table
from layers.units import Kind, parse_quantity

STANDARD = (
    *("M2", "S2", "N2", "K1", "M4", "O1", "M6", "MK3", "S4", "MN4", "NU2", "S6", "MU2", "2N2", "OO1", "LAM2", "S1"),
    *("M1", "J1", "MM", "SSA", "SA", "MSF", "MF", "RHO", "Q1", "T2", "R2", "2Q1", "P1", "2SM2", "M3", "L2", "2MK3"),
    *("K2", "M8", "MS4"),
)
"""The 37 constituents that the US tide tables are computed from."""
MORE = (
    *("CHI1", "PI1", "PSI1", "SIG1", "SO1", "MKS2", "MSN2", "OP2", "SKM2", "MO3", "NO3", "SK3", "SO3", "MK4", "N4"),
    *("SK4", "SL4", "SN4", "2MK5", "2MO5", "2SK5", "MNK5", "MNO5", "MSK5", "2MK6", "2MN6", "2MS6", "2NM6", "2SM6"),
    *("MSN6", "3MK7", "3MN8", "3MS8", "M10", "M12"),
)
"""Others on whose meaning two independent libraries agree."""
_SAME = {"LAMBDA2": "LAM2", "LDA2": "LAM2", "RHO1": "RHO", "SIGMA1": "SIG1"}
_LIBRARY = {"LAM2": "lambda2", "RHO": "rho1", "M1": "m1a", "SIG1": "sigma1"}
_OPTIONS: dict[str, Any] = {"corrections": "FES", "M1": "Schureman", "climate_solar_perigee": True}
_DAY_S = 86_400.0
_STEP_S = 300.0
_MJD_1970 = 40_587.0
_CLOSE_S = 120.0
_ComplexArray = npt.NDArray[np.complex128]


class Harmonics:
    """A sum of constituents about a mean.

    Parameters
    ----------
    names
        Constituents, of `STANDARD` and `MORE` (any case).
    amplitudes
        One for each; their unit is that of all values.
    phases_deg
        Greenwich phase lags g.
    mean
        What the constituents swing about.

    Raises
    ------
    InputError
        A name that is not known, or that comes twice.

    Notes
    -----
    f and u are taken at each midnight UT and run linearly between (M1's turns fastest, by 0.14° a day). Within a day
    values stand every 5 minutes, with cubics through values and slopes between: for a constituent as quick as M12
    that is within 10⁻⁵ of its amplitude.
    """

    def __init__(
        self, names: Sequence[str], amplitudes: Sequence[float], phases_deg: Sequence[float], mean: float = 0.0
    ) -> None:
        self.names = tuple(constituent(name, "constituent") for name in names)
        if len(set(self.names)) < len(self.names):
            raise InputError.one("constituent", "a constituent comes twice.", "Keep the one that is true.")
        self.mean = mean
        self._size = np.asarray(amplitudes, dtype=np.float64)
        self._lag = np.radians(np.asarray(phases_deg, dtype=np.float64))
        self._speed = _speeds(self.names)
        nodes = np.arange(0.0, _DAY_S + 1.0, _STEP_S)
        self._turns: _ComplexArray = np.exp(1j * nodes[:, None] * self._speed)
        self._part = nodes[:, None] / _DAY_S
        self._days: dict[int, tuple[FloatArray, FloatArray, float]] = {}

    def at(self, time_s: FloatArray) -> FloatArray:
        """Return the values at POSIX times, an array of the same shape; NaN where the time is not finite."""
        time = np.asarray(time_s, dtype=np.float64)
        flat = time.ravel()
        value = np.full(flat.shape, np.nan)
        good = np.isfinite(flat)
        day = np.floor(np.where(good, flat, 0.0) / _DAY_S).astype(np.int64)
        wanted = np.unique(day[good])
        self._prepare(wanted)
        for one in wanted:
            here = good & (day == one)
            values, slopes, _ = self._days[int(one)]
            value[here] = _between(flat[here] - one * _DAY_S, values, slopes)
        return value.reshape(time.shape)

    def least(self, start_s: float, end_s: float) -> float:
        """Return a value that is not undercut from start to end.

        Between two samples d apart a function whose second derivative is at most K falls at most K d²/8 below the
        lower of them; K is Σ f H σ².
        """
        count = max(int(np.ceil((end_s - start_s) / _CLOSE_S)), 1) + 1
        sampled = self.at(np.linspace(start_s, end_s, count))
        days = range(int(start_s // _DAY_S), int(end_s // _DAY_S) + 1)
        bend = max(self._days[day][2] for day in days if day in self._days)
        apart = (end_s - start_s) / (count - 1)
        return float(sampled.min() - bend * apart**2 / 8.0)

    def _prepare(self, days: npt.NDArray[np.int64]) -> None:
        """Work out the values of days that have not been asked for."""
        new = [int(day) for day in days if int(day) not in self._days]
        if not new:
            return
        midnights = np.unique(np.concatenate([new, np.add(new, 1)]))
        swing = self._size * _nodal(self.names, midnights) * np.exp(-1j * self._lag)
        first = swing[np.searchsorted(midnights, new)]
        last = swing[np.searchsorted(midnights, np.add(new, 1))] * np.exp(-1j * _DAY_S * self._speed)
        for day, begin, end in zip(new, first, last, strict=True):
            size = begin + self._part * (end - begin)
            values = self.mean + (self._turns * size).sum(axis=1).real
            slopes = (self._turns * (1j * self._speed * size + (end - begin) / _DAY_S)).sum(axis=1).real
            most = np.maximum(np.abs(begin), np.abs(end))
            bend = float((most * self._speed**2 + 2.0 * np.abs(end - begin) * self._speed / _DAY_S).sum())
            self._days[day] = (values, slopes, bend)


def constituent(name: object, where: str) -> str:
    """Return a constituent's name as `STANDARD` and `MORE` write it.

    Raises
    ------
    InputError
        It is none of them; near ones are suggested.

    Examples
    --------
    >>> constituent("lambda2", "tide.toml")
    'LAM2'
    """
    known = (*STANDARD, *MORE)
    upper = name.strip().upper() if isinstance(name, str) else ""
    upper = _SAME.get(upper, upper)
    if upper in known:
        return upper
    near = difflib.get_close_matches(upper, (*known, *_SAME), n=3, cutoff=0.5)
    hint = f"Did you mean {' or '.join(near)}? " if near else ""
    raise InputError.one(
        where, f"{name!r} is not a constituent that is known here.", f"{hint}Known: {', '.join(known)}."
    )


def read_harmonics(table: Table, kind: Kind, *, offset: float = 0.0) -> Harmonics | None:
    """Return the harmonics of a station's table: its key `mean` and its tables `constituent`.

    Parameters
    ----------
    table
        The station's; what is wrong is noted there.
    kind
        What amplitudes and mean measure.
    offset
        Added to the mean, SI.

    Returns
    -------
    Harmonics or None
        In SI units; None where something is wrong.
    """
    mean = table.quantity("mean", kind) + offset
    names: list[str] = []
    sizes: list[float] = []
    lags: list[float] = []
    rows = table.tables("constituent")
    if not rows:
        table.problem("constituent", "there is none.", "Add [[station.constituent]] with name, amplitude and phase.")
    for row in rows:
        name = row.reading("name", constituent, "")
        if not row.has("name"):
            row.problem("name", "is missing.", 'Write the constituent\'s name: name = "M2".')
        if name and name in names:
            row.problem("name", f"{name} comes twice.", "Keep the one that is true.")
        size = row.quantity("amplitude", kind, minimum=0.0)
        lag = row.reading("phase", _phase, 0.0)
        if not row.has("phase"):
            row.problem("phase", "is missing.", "Write the Greenwich phase lag in degrees: phase = 213.4.")
        row.done()
        names.append(name)
        sizes.append(size)
        lags.append(lag)
    if not names or not all(names) or len(set(names)) < len(names):
        return None
    return Harmonics(names, sizes, lags, mean)


def _phase(value: object, where: str) -> float:
    """Return a phase in degrees from a bare number or a quantity."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        degrees = float(value)
    else:
        degrees = float(np.degrees(parse_quantity(value, "angle", where)))
    if not abs(degrees) <= 360.0:  # noqa: PLR2004 - a full turn
        raise InputError.one(where, f"{value!r} is more than a turn.", "Write degrees from 0 to 360.")
    return degrees


def _between(time_s: FloatArray, values: FloatArray, slopes: FloatArray) -> FloatArray:
    """Return a day's values between its nodes: cubics through values and slopes."""
    place = np.minimum((time_s / _STEP_S).astype(np.int64), len(values) - 2)
    part = time_s / _STEP_S - place
    rise = values[place + 1] - values[place]
    first, last = slopes[place] * _STEP_S - rise, rise - slopes[place + 1] * _STEP_S
    between = (1.0 - part) * first + part * last
    result: FloatArray = values[place] + part * (rise + (1.0 - part) * between)
    return result


def _speeds(names: Sequence[str]) -> FloatArray:
    """Return speeds in radians per second."""
    from pyTMD.constituents import frequency  # noqa: PLC0415 - half a second that only harmonic stations are worth

    return np.asarray(frequency(_library_names(names), **_OPTIONS), dtype=np.float64)


def _nodal(names: Sequence[str], midnights: npt.NDArray[np.int64]) -> _ComplexArray:
    """Return f exp(i(V + u)) at midnights UT, given in days since 1970: days down, constituents across."""
    from pyTMD import astro, constituents  # noqa: PLC0415 - as above

    mjd = _MJD_1970 + midnights
    turn, factor, argument = constituents.arguments(mjd, _library_names(names), **_OPTIONS)
    angle = np.radians(argument) + turn
    if "M1" in names:
        _, _, perigee, node, _ = np.radians(astro.mean_longitudes(mjd, method="ASTRO5"))
        from_crossing = perigee - astro.schureman_arguments(perigee, node)[1]
        angle[:, names.index("M1")] += np.pi * (np.cos(from_crossing) < 0.0)
    if "M3" in names:
        angle[:, names.index("M3")] += np.pi
    result: _ComplexArray = factor * np.exp(1j * angle)
    return result


def _library_names(names: Sequence[str]) -> list[str]:
    return [_LIBRARY.get(name, name.lower()) for name in names]
