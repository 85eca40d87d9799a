"""Stations of current: a TOML file of them, and the tables of slacks and maxima or of hourly vectors that it names."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
from shapely import LineString, Point

from layers._errors import Finding, InputError
from layers._files import file_within
from layers.almanac import Almanac, parse_zone, read_almanac
from layers.channel import ComplexArray, read_channel
from layers.harmonics import Harmonics, read_harmonics
from layers.model import FloatArray, Station
from layers.positions import parse_position
from layers.projection import LocalProjection
from layers.tables import Table, raise_all, read_toml
from layers.units import format_quantity, parse_quantity, parse_unit

T = TypeVar("T")

FORMS = ("slacks and maxima", "hourly", "harmonic")
EVENTS = ("slack", "flood", "ebb", "minimum flood", "minimum ebb")
FASTEST_MPS = 25 * 1852 / 3600
"""Faster than any tidal current: common practice, no source. A table that goes past it is in another unit."""
HOURLY_GAP_S = 2 * 3600.0
_GAP_S = 10 * 3600.0
_LEAST_ROWS = 2
_LEAST_ANGLE_RAD = np.radians(60.0)
_TURN_DEG = 360.0
_SIGNS = {"slack": 0.0, "flood": 1.0, "ebb": -1.0, "minimum flood": 1.0, "minimum ebb": -1.0}


class Speed(Protocol):
    """A signed speed through time: flood positive, m/s."""

    @property
    def reach_s(self) -> tuple[float, float]:
        """Return the first and the last moment it is told for."""
        ...

    def at(self, time_s: FloatArray) -> FloatArray:
        """Return the speed; outside `reach_s` the answer is finite and means nothing."""
        ...


class SlackTable:
    """Speed between slacks and maxima, m/s, flood positive.

    From a slack to a maximum and back it is a sine (the factors of the current tables are that sine, rounded); between
    two extremes without a slack a half cosine, as tide tables have it between high and low water.

    Parameters
    ----------
    time_s
        (n,) rising moments, at least two.
    speed_mps
        (n,) signed speeds.
    slack
        (n,) which of them are slacks; no two running.

    Examples
    --------
    >>> table = SlackTable(np.array([0.0, 10_800.0]), np.array([0.0, 1.0]), np.array([True, False]))
    >>> table.at(np.array([3600.0, 7200.0])).round(3).tolist()
    [0.5, 0.866]
    """

    def __init__(self, time_s: FloatArray, speed_mps: FloatArray, slack: npt.NDArray[np.bool_]) -> None:
        before, after = speed_mps[:-1], speed_mps[1:]
        rising, falling = slack[:-1], slack[1:]
        between = ~(rising | falling)
        # One formula for the three shapes: middle + size · sin(phase + rate · time).
        quarter = np.where(between, np.pi, np.pi / 2)
        self._inner = time_s[1:-1]
        self._pieces = np.column_stack(
            [
                np.where(between, (before + after) / 2, 0.0),
                np.where(between, (before - after) / 2, before + after),
                np.where(rising, 0.0, np.pi / 2),
                quarter / np.diff(time_s),
                time_s[:-1],
            ]
        ).T.copy()
        self.reach_s = (float(time_s[0]), float(time_s[-1]))

    def at(self, time_s: FloatArray) -> FloatArray:
        """Return the speed at moments; outside `reach_s` it means nothing."""
        piece = self._inner.searchsorted(time_s, side="right")
        middle, size, phase, rate, since = self._pieces.take(piece, axis=1)
        return np.asarray(middle + size * np.sin(phase + rate * (time_s - since)))


class VectorTable:
    """A current told as vectors (complex, local axes, m/s), linear in both components between the moments."""

    def __init__(self, time_s: FloatArray, flow_mps: ComplexArray) -> None:
        self._inner, self._since = time_s[1:-1], time_s[:-1]
        self._flow, self._slope = flow_mps[:-1], np.diff(flow_mps) / np.diff(time_s)
        self.reach_s = (float(time_s[0]), float(time_s[-1]))

    def at(self, time_s: FloatArray) -> ComplexArray:
        """Return the vectors at moments; outside `reach_s` they mean nothing."""
        piece = self._inner.searchsorted(time_s, side="right")
        return np.asarray(self._flow[piece] + self._slope[piece] * (time_s - self._since[piece]))


class HarmonicSpeed:
    """A speed from harmonic constants, told for all time."""

    reach_s = (-np.inf, np.inf)

    def __init__(self, harmonics: Harmonics) -> None:
        self._harmonics = harmonics

    def at(self, time_s: FloatArray) -> FloatArray:
        """Return the speed at moments."""
        return self._harmonics.at(time_s)


@dataclass(frozen=True)
class Reversing:
    """A station whose water goes to and fro: `flood` and `ebb` are local directions, complex, of length 1."""

    station: Station
    speed: Speed
    flood: complex
    ebb: complex


@dataclass(frozen=True)
class Rotary:
    """A station whose water turns through all directions."""

    station: Station
    flow: VectorTable


@dataclass(frozen=True)
class CurrentFile:
    """A TOML file of stations, read; local metres."""

    where: str
    reversing: tuple[Reversing, ...]
    rotary: tuple[Rotary, ...]
    channel: LineString | None


def read_current_file(
    path: Path, where: str, *, folder: Path, projection: LocalProjection, zone: ZoneInfo
) -> CurrentFile:
    """Return the stations of a TOML file.

    Parameters
    ----------
    path
        The file.
    where
        How messages name it.
    folder
        The area's folder: the files it names must be inside.
    projection
        The area's.
    zone
        The zone of times without an offset, where a station names none.

    Raises
    ------
    InputError
        Whatever is wrong with it or its tables, all at once.
    """
    found: list[Finding] = []
    table = Table(read_toml(path), where, found)
    reader = _Reader(path, folder, projection, zone, found)
    channel = table.reading("channel", reader.channel, None) if table.has("channel") else None
    stations = [reader.station(one) for one in table.tables("station")]
    if not stations:
        table.problem("station", "there is none.", "Write a [[station]] for each place that is told.")
    table.done()
    raise_all(found)
    return CurrentFile(
        where,
        tuple(one for one in stations if isinstance(one, Reversing)),
        tuple(one for one in stations if isinstance(one, Rotary)),
        channel,
    )


@dataclass(frozen=True)
class _Reader:
    """What all stations of a file are read with."""

    path: Path
    folder: Path
    projection: LocalProjection
    zone: ZoneInfo
    found: list[Finding]

    def channel(self, value: object, where: str) -> LineString:
        file = file_within(self.folder, value, where, beside=self.path.parent) if isinstance(value, str) else None
        return read_channel(value, file, self.projection, where)

    def station(self, table: Table) -> Reversing | Rotary | None:
        """Return a station, or None where something is wrong with it; that is noted."""
        before = len(self.found)
        name = table.text("name")
        form = table.text("form", choices=FORMS)
        lonlat = table.reading("position", _position, (0.0, 0.0))
        if not table.has("position"):
            table.problem("position", "is missing.", 'Write where the station lies: position = "46 49.0 N 156 54.0 W".')
        reach_m = 1.0
        if table.has("reach"):
            reach_m = table.reading("reach", _reach, reach_m)
        else:
            table.problem("reach", "is missing.", 'Write how far from it the station is true: reach = "2 NM".')
        x, y = (float(one) for one in self.projection.to_local(*lonlat))
        station = Station(name, Point(x, y), reach_m)
        made = self._told(table, form, station)
        table.done()
        return made if len(self.found) == before else None

    def _told(self, table: Table, form: str, station: Station) -> Reversing | Rotary | None:
        x, y = station.point.x, station.point.y
        if form == "hourly":
            flow = self._table(table, lambda file, zone, unit: self._vectors(file, zone, unit, (x, y)))
            return None if flow is None else Rotary(station, flow)
        flood, ebb = self._axis(table, x, y)
        speed: Speed | None
        if form == "harmonic":
            harmonics = read_harmonics(table, "speed")
            speed = None if harmonics is None else HarmonicSpeed(harmonics)
        else:
            speed = self._table(table, _slacks)
        return None if speed is None else Reversing(station, speed, flood, ebb)

    def _axis(self, table: Table, x: float, y: float) -> tuple[complex, complex]:
        flood, ebb = (
            table.reading(key, _direction, default) for key, default in (("flood", 0.0), ("ebb", _TURN_DEG / 2))
        )
        for key in ("flood", "ebb"):
            if not table.has(key):
                table.problem(key, "is missing.", f'Write the true direction that the {key} goes to: {key} = "75 deg".')
        between = abs((flood - ebb + _TURN_DEG / 2) % _TURN_DEG - _TURN_DEG / 2)
        if np.radians(between) < _LEAST_ANGLE_RAD:
            what = (
                f"the ebb ({ebb:.0f}°) goes {between:.0f}° from the flood ({flood:.0f}°): that is no turn of the tide."
            )
            table.problem("ebb", what, 'Write both as the water goes, at least 60° apart; or form = "hourly".')
        way = np.exp(1j * self.projection.heading_rad(x, y, np.array([flood, ebb])))
        return complex(way[0]), complex(way[1])

    def _table(self, table: Table, read: Callable[[_Csv, ZoneInfo, str | None], T]) -> T | None:
        """Return what a station's CSV table tells, or None where something is wrong with it; that is noted."""
        zone = table.reading("timezone", parse_zone, self.zone)
        unit = table.reading("unit", lambda value, at: parse_unit(value, "speed", at), None)
        if not table.has("table"):
            table.problem("table", "is missing.", 'Write the CSV file beside this one: table = "ossel.csv".')

        def opened(value: object, at: str) -> T:
            file = file_within(self.folder, value, at, beside=self.path.parent)
            return read(_Csv(file, f"{table.where}, {file.name}"), zone, unit)

        return table.reading("table", opened, None)

    def _vectors(self, csv: _Csv, zone: ZoneInfo, unit: str | None, at: tuple[float, float]) -> VectorTable:
        almanac = csv.read(zone, (), ("direction", "speed", "east", "north"))
        columns = set(almanac.cells)
        if columns == {"east", "north"}:
            flow = almanac.quantities("east", "speed", unit) + 1j * almanac.quantities("north", "speed", unit)
            flow = flow * np.exp(1j * float(self.projection.heading_rad(*at, 90.0)))
        elif columns == {"direction", "speed"}:
            speed = almanac.quantities("speed", "speed", unit)
            parse_unit(almanac.units.get("direction", "deg"), "angle", f"{almanac.where}, line 1")
            direction = almanac.numbers("direction", empty=True)
            raise_all(_vector_findings(almanac, direction, speed))
            flow = speed * np.exp(1j * self.projection.heading_rad(*at, np.nan_to_num(direction)))
        else:
            what = f"its columns are {', '.join(['time', *sorted(columns)])}."
            raise InputError.one(f"{almanac.where}, line 1", what, "Write time,direction,speed or time,east,north.")
        raise_all([*_too_fast(almanac, np.abs(flow)), *_gap_findings(almanac, HOURLY_GAP_S)])
        return VectorTable(almanac.time_s, flow)


@dataclass(frozen=True)
class _Csv:
    """A station's table of times and how messages name it."""

    file: Path
    where: str

    def read(self, zone: ZoneInfo, required: tuple[str, ...], optional: tuple[str, ...]) -> Almanac:
        almanac = read_almanac(self.file, self.where, zone=zone, required=required, optional=optional)
        if len(almanac) < _LEAST_ROWS:
            raise InputError.one(self.where, "has one moment only.", "Give the whole day and more.")
        return almanac


def _position(value: object, where: str) -> tuple[float, float]:
    """Return the longitude and latitude of a key's value."""
    if not isinstance(value, str):
        raise InputError.one(where, f"{value!r} is not a position.", 'Write it as text: "46 49.0 N 156 54.0 W".')
    return parse_position(value, where)


def _reach(value: object, where: str) -> float:
    return parse_quantity(value, "length", where, positive=True)


def _direction(value: object, where: str) -> float:
    """Return a true direction in degrees."""
    degrees = float(np.degrees(parse_quantity(value, "angle", where)))
    if not 0 <= degrees <= _TURN_DEG:
        raise InputError.one(where, f"{degrees:.6g}° is not a direction.", "Write degrees from 0 to 360, true.")
    return degrees


def _slacks(csv: _Csv, zone: ZoneInfo, unit: str | None) -> SlackTable:
    almanac = csv.read(zone, ("event", "speed"), ())
    speed = almanac.quantities("speed", "speed", unit, empty=True)
    events = [event.casefold() for event in almanac.cells["event"]]
    raise_all(_event_findings(almanac, events, speed))
    signs = np.array([_SIGNS[event] for event in events])
    return SlackTable(almanac.time_s, signs * np.nan_to_num(speed), signs == 0)


def _event_findings(almanac: Almanac, events: list[str], speed: FloatArray) -> list[Finding]:
    """Return what is wrong with lines by themselves, or else with their order."""
    found = []
    for row, event in enumerate(events):
        where = almanac.line(row)
        if event not in EVENTS:
            remedy = f"Write one of: {', '.join(EVENTS)}."
            found.append(Finding(where, f"'{almanac.cells['event'][row]}' is not an event of the current.", remedy))
        elif speed[row] < 0:
            remedy = "Write speeds without a sign: the event says which way the water goes."
            found.append(Finding(where, f"the speed is negative ({almanac.cells['speed'][row]}).", remedy))
        elif event == "slack" and speed[row] > 0:
            found.append(
                Finding(where, "a slack has a speed.", "Leave its speed empty; or write minimum flood or ebb.")
            )
        elif event != "slack" and np.isnan(speed[row]):
            found.append(Finding(where, f"{event} has no speed.", "Write it."))
    if found:
        return found
    found = [one for row in range(1, len(events)) if (one := _order_finding(almanac, events, speed, row)) is not None]
    return [*found, *_too_fast(almanac, np.nan_to_num(speed)), *_gap_findings(almanac, _GAP_S)]


def _order_finding(almanac: Almanac, events: list[str], speed: FloatArray, row: int) -> Finding | None:
    """Return what is wrong with a line after the one before it."""
    before, event = events[row - 1], events[row]
    weak = [place for place in (row - 1, row) if events[place] not in ("flood", "ebb")]
    if len(weak) > 1:
        what = f"{event} follows {before} with no maximum between."
        return Finding(almanac.line(row), what, "Add the line of the flood or ebb that is missing.")
    if event == before:
        what = f"{event} follows {event} with neither slack nor minimum between."
        return Finding(almanac.line(row), what, "Add the line that is missing.")
    if weak:
        least, most = weak[0], 2 * row - 1 - weak[0]
        if events[least] == f"minimum {events[most]}" and speed[least] > speed[most]:
            what = f"the {events[least]} is faster than the {events[most]} beside it."
            return Finding(almanac.line(least), what, "Check both speeds.")
    return None


def _vector_findings(almanac: Almanac, direction: FloatArray, speed: FloatArray) -> list[Finding]:
    wrong = (
        (speed < 0, "the speed is negative.", "Turn its direction round instead."),
        (np.isnan(direction) & (speed != 0), "there is a speed and no direction.", "Write it in degrees, true."),
        (
            (direction < 0) | (direction > _TURN_DEG),
            "the direction is not between 0 and 360.",
            "Write degrees from true north, towards where the water goes.",
        ),
    )
    return [
        Finding(almanac.line(int(row)), what, remedy) for rows, what, remedy in wrong for row in np.flatnonzero(rows)
    ]


def _too_fast(almanac: Almanac, speed: FloatArray) -> list[Finding]:
    rows = np.flatnonzero(speed > FASTEST_MPS)
    if not len(rows):
        return []
    what = f"the water goes {format_quantity(float(speed[rows[0]]), 'kn')}: no tidal current does."
    return [Finding(almanac.line(int(rows[0])), what, "Check the speed and its unit.")]


def _gap_findings(almanac: Almanac, most_s: float) -> list[Finding]:
    gaps = np.diff(almanac.time_s)
    return [
        Finding(
            almanac.line(int(row) + 1),
            f"comes {gaps[row] / 3600:.1f} h after the line before; at most {most_s / 3600:.0f} h are read across.",
            "Add the lines that are missing, or end the table before the gap.",
        )
        for row in np.flatnonzero(gaps > most_s)
    ]
