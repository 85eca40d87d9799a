"""The plan's clock and cost: sun, magnetic variation, and what each leg takes in time, course and fuel."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from astral import Observer, SunDirection
from astral.sun import elevation, noon, time_of_transit
from pygeomag import GeoMag
from pyproj import Geod

from layers._errors import InputError
from spotmap.model import Sun, TimedLeg, Totals

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from zoneinfo import ZoneInfo

    from layers.projection import LocalProjection
    from spotmap.model import Boat, FloatArray, Leg, LegKind

_WGS84 = Geod(ellps="WGS84")
_ONE_DAY = timedelta(days=1)
# The sun rises and sets half a solar day from noon at most; the rest is for its drift near the poles.
_HALF_DAY = timedelta(hours=12.5)
_HORIZON_ZENITH_DEG = 90.0 + 50.0 / 60.0
_CIVIL_ZENITH_DEG = 96.0
_FIRST_MODEL_YEAR, _SECOND_MODEL_YEAR, _END_OF_MODELS = 2020, 2025, 2030


def sun_times(lon: float, lat: float, day: date, zone: ZoneInfo) -> Sun:
    """Return civil dawn, sunrise, sunset and civil dusk round the noon of a day.

    Dusk is always the one that follows the day's noon, even where it falls after midnight.

    Parameters
    ----------
    lon, lat
        Place, degrees on WGS 84.
    day
        The day in the area's own calendar.
    zone
        The area's time zone; the results are in it.

    Returns
    -------
    Sun
        Each time, or None where the sun does not cross that height on the day.

    Notes
    -----
    As almanacs define them: the sun's centre 50′ below the horizon at rise and set (34′ refraction, 16′
    radius) and 6° below it at civil twilight, eye at sea level. Near the days on which the sun stops crossing
    a height the times are uncertain by minutes.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> sun = sun_times(-140.0, 47.0, date(2026, 8, 14), ZoneInfo("Etc/GMT+10"))
    >>> f"{sun.sunrise:%H:%M} {sun.sunset:%H:%M}"
    '04:16 18:32'
    """
    observer = Observer(latitude=lat, longitude=lon)
    midday = datetime.combine(day, time(12), zone).astimezone(UTC)
    days = (day - _ONE_DAY, day, day + _ONE_DAY)
    high = min((noon(observer, near, UTC) for near in days), key=lambda moment: abs(moment - midday))

    def crossing(zenith_deg: float, direction: SunDirection) -> datetime | None:
        after_noon = direction is SunDirection.SETTING
        found: list[datetime] = []
        for near in days:
            try:
                moment = time_of_transit(observer, near, zenith_deg, direction, with_refraction=False)
            except ValueError:  # the sun stays above or below on that day
                continue
            apart = moment - high if after_noon else high - moment
            if timedelta(0) <= apart <= _HALF_DAY:
                found.append(moment.astimezone(zone))
        return found[0] if found else None

    return Sun(
        dawn=crossing(_CIVIL_ZENITH_DEG, SunDirection.RISING),
        sunrise=crossing(_HORIZON_ZENITH_DEG, SunDirection.RISING),
        sunset=crossing(_HORIZON_ZENITH_DEG, SunDirection.SETTING),
        dusk=crossing(_CIVIL_ZENITH_DEG, SunDirection.SETTING),
    )


def light_at(lon: FloatArray, lat: FloatArray, moments: Sequence[datetime]) -> npt.NDArray[np.intp]:
    """Return the light at places (n,) on WGS 84 at as many moments: 0 night, 1 civil twilight, 2 day, (n,).

    By the sun's height, so that it is right after midnight and where the sun does not rise or set; the heights that
    part them are those of `sun_times`.

    Examples
    --------
    >>> noon = datetime(2026, 6, 21, 12, tzinfo=UTC)
    >>> light_at(np.array([0.0, 180.0]), np.array([45.0, 45.0]), [noon, noon]).tolist()
    [2, 0]
    """
    heights_deg = [
        elevation(Observer(north, east), moment.astimezone(UTC), with_refraction=False)
        for north, east, moment in zip(lat.tolist(), lon.tolist(), moments, strict=True)
    ]
    return np.digitize(heights_deg, [90.0 - _CIVIL_ZENITH_DEG, 90.0 - _HORIZON_ZENITH_DEG])


@cache
def _magnetic_model(first_year: int) -> GeoMag:
    return GeoMag(coefficients_file=f"wmm/WMM_{first_year}.COF")


def variation_is_extrapolated(day: date) -> bool:
    """Return whether a day lies outside the years that the magnetic models at hand were made for.

    Examples
    --------
    >>> variation_is_extrapolated(date(2029, 12, 31)), variation_is_extrapolated(date(2030, 1, 1))
    (False, True)
    """
    return not _FIRST_MODEL_YEAR <= day.year < _END_OF_MODELS


def magnetic_variation_deg(lon: float, lat: float, day: date, *, height_km: float = 0.0) -> float:
    """Return the magnetic variation (declination), degrees, east positive.

    Parameters
    ----------
    lon, lat
        Place, degrees on WGS 84.
    day
        The day. The World Magnetic Model of 2020 serves 2020 to 2024 and that of 2025 serves 2025 to 2029;
        other days take the nearer model, its yearly change carried on (see `variation_is_extrapolated`).
    height_km
        Height over the ellipsoid, kilometres.

    Notes
    -----
    Source: World Magnetic Model 2020 and 2025 (NOAA NCEI and BGS), through pygeomag.

    Examples
    --------
    >>> round(magnetic_variation_deg(-140.0, 47.0, date(2026, 8, 14)), 1)
    15.0
    """
    days_in_year = (date(day.year + 1, 1, 1) - date(day.year, 1, 1)).days
    year = day.year + (day.timetuple().tm_yday - 1) / days_in_year
    model = _magnetic_model(_SECOND_MODEL_YEAR if day.year >= _SECOND_MODEL_YEAR else _FIRST_MODEL_YEAR)
    field = model.calculate(glat=lat, glon=lon, alt=height_km, time=year, allow_date_outside_lifespan=True)
    return float(field.d)


def time_legs(
    legs: Sequence[Leg],
    departure: datetime,
    area_projection: LocalProjection,
    boat: Boat,
    variation_deg: float,
) -> tuple[TimedLeg, ...]:
    """Return the legs with start, end, length, speed, courses and fuel.

    Parameters
    ----------
    legs
        The legs in the order they are worked, local metres.
    departure
        When the first leg starts; zone-aware. All times are in its zone, and counted in absolute time, so
        that a change of the clock on the way neither adds nor loses an hour.
    area_projection
        The projection that the legs are in.
    boat
        Speeds and fuel. A leg's own speed goes before the boat's, and in moving water its clock before both.
    variation_deg
        Magnetic variation, degrees, east positive.

    Returns
    -------
    tuple of TimedLeg
        `seq` counts from 1; each leg starts when the one before it ends; `length_m` is measured on the
        ellipsoid; `speed_mps` is over the ground; courses are in [0, 360); fuel in litres, None where the boat's is
        not known.

    Raises
    ------
    ValueError
        If `departure` has no zone, or a leg has no length or no speed.

    Examples
    --------
    >>> from layers.projection import LocalProjection
    >>> from spotmap.model import Boat, Leg
    >>> boat = Boat(1.5, 9.0, 12.0, 1.0, 4.0, None)
    >>> north = Leg("pass", np.array([[0.0, 0.0], [0.0, 900.0]]), "P1")
    >>> start = datetime(2026, 8, 14, 5, 30, tzinfo=UTC)
    >>> (leg,) = time_legs([north], start, LocalProjection(-140.0, 47.0), boat, 15.0)
    >>> f"{leg.length_m:.2f} m, {leg.course_start_magnetic_deg:.1f}° M, {leg.fuel_l:.3f} L"
    '900.00 m, 345.0° M, 0.667 L'
    >>> round((leg.end - leg.start).total_seconds(), 2)
    600.0
    """
    if departure.tzinfo is None:
        raise ValueError("the departure has no time zone")
    depart = departure.astimezone(UTC)
    timed: list[TimedLeg] = []
    gone_s = 0.0
    start = departure
    for seq, leg in enumerate(legs, start=1):
        length_m = _WGS84.line_length(*area_projection.to_geographic(leg.xy[:, 0], leg.xy[:, 1]))
        usual_mps = boat.run_speed_mps if leg.kind == "run" else boat.troll_speed_mps
        speed_mps = usual_mps if leg.speed_mps is None else leg.speed_mps
        took_s = length_m / speed_mps if leg.clock_s is None else float(leg.clock_s[-1])
        if not (length_m > 0 and took_s > 0):
            raise ValueError(f"leg {seq} ({leg.label}) has length {length_m} m and takes {took_s} s")
        gone_s += took_s
        # From the departure each time: rounding to the microsecond must not add up.
        end = (depart + timedelta(seconds=gone_s)).astimezone(departure.tzinfo)
        course_start, course_end = _true_courses_deg(leg, area_projection)
        timed.append(
            TimedLeg(
                seq=seq,
                leg=leg,
                start=start,
                end=end,
                length_m=length_m,
                speed_mps=length_m / took_s,
                course_start_true_deg=course_start,
                course_end_true_deg=course_end,
                course_start_magnetic_deg=_compass_deg(course_start - variation_deg),
                course_end_magnetic_deg=_compass_deg(course_end - variation_deg),
                fuel_l=_fuel_l(leg, took_s, speed_mps, boat),
            )
        )
        start = end
    return tuple(timed)


def _fuel_l(leg: Leg, took_s: float, speed_mps: float, boat: Boat) -> float | None:
    """Return the fuel of a leg, litres. A run slower than the boat's is a run and a wait at trolling power."""
    took_h = took_s / 3600.0
    if leg.kind != "run":
        return None if boat.fuel_troll_lph is None else boat.fuel_troll_lph * took_h
    run_h = took_h * min(speed_mps / boat.run_speed_mps, 1.0)
    wait_h = took_h - run_h
    if boat.fuel_run_lph is None or (boat.fuel_troll_lph is None and wait_h > 0.0):
        return None
    return boat.fuel_run_lph * run_h + (boat.fuel_troll_lph or 0.0) * wait_h


def _true_courses_deg(leg: Leg, projection: LocalProjection) -> tuple[float, float]:
    """Return the true course of a leg's first and last stretch, in [0, 360)."""
    steps = np.diff(leg.xy, axis=0)
    moving = np.flatnonzero(np.any(steps != 0.0, axis=1))  # a vertex given twice has no heading
    first, last = moving[0], moving[-1]
    x, y = leg.xy[[first, last + 1]].T
    dx, dy = steps[[first, last]].T
    start, end = projection.true_course_deg(x, y, np.arctan2(dy, dx))
    return _compass_deg(float(start)), _compass_deg(float(end))


def _compass_deg(angle_deg: float) -> float:
    wrapped = angle_deg % 360.0
    return 0.0 if wrapped >= 360.0 else wrapped  # noqa: PLR2004 -- a tiny negative angle rounds up to 360


def elapsed(start: datetime, end: datetime) -> timedelta:
    """Return the time that really passes between two zone-aware moments.

    Plain subtraction of two moments of one zone compares the hands of the clock, and is an hour off when the
    clock changes between them.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> zone = ZoneInfo("CET")
    >>> before, after = datetime(2026, 3, 29, 1, tzinfo=zone), datetime(2026, 3, 29, 4, tzinfo=zone)
    >>> str(elapsed(before, after)), str(after - before)
    ('2:00:00', '3:00:00')
    """
    return end.astimezone(UTC) - start.astimezone(UTC)


def before(one: datetime, other: datetime) -> bool:
    """Return whether one zone-aware moment really comes before another.

    Two moments of one zone are compared by the hands of the clock otherwise, which go back once a year.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> first = datetime(2026, 10, 25, 2, 50, tzinfo=ZoneInfo("CET"))
    >>> second = datetime(2026, 10, 25, 2, 10, fold=1, tzinfo=ZoneInfo("CET"))
    >>> before(first, second), first < second
    (True, False)
    """
    return one.timestamp() < other.timestamp()


def later(moment: datetime, by: timedelta) -> datetime:
    """Return the moment that really comes so much later, in the same zone.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> before = datetime(2026, 3, 29, 1, tzinfo=ZoneInfo("CET"))
    >>> f"{later(before, timedelta(hours=2)):%H:%M}"
    '04:00'
    """
    return (moment.astimezone(UTC) + by).astimezone(moment.tzinfo)


def totals(timed: Iterable[TimedLeg]) -> Totals:
    """Return the whole trip in figures; the fuel is None when that of any leg is not known.

    Examples
    --------
    >>> totals(()).fishing
    datetime.timedelta(0)
    """
    legs = tuple(timed)

    def spent(kind: LegKind) -> timedelta:
        return sum((elapsed(leg.start, leg.end) for leg in legs if leg.leg.kind == kind), timedelta(0))

    fuel = [leg.fuel_l for leg in legs if leg.fuel_l is not None]
    return Totals(
        fishing=spent("pass"),
        turning=spent("turn"),
        running=spent("run"),
        distance_m=sum(leg.length_m for leg in legs),
        fuel_l=sum(fuel) if len(fuel) == len(legs) else None,
    )


def day_of(text: str | None, where: str) -> date | None:
    """Return the date that a text gives, or None for no text.

    Raises
    ------
    InputError
        It is not a date.
    """
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError.one(where, f"'{text}' is not a date.", "Write it as 2026-08-14.") from None


def clock_of(text: str, where: str) -> time:
    """Return the time of day that a text gives, on the area's clock.

    Raises
    ------
    InputError
        It is not a time of day.

    Examples
    --------
    >>> clock_of("05:30", "--start")
    datetime.time(5, 30)
    """
    try:
        return datetime.strptime(text.strip(), "%H:%M").time()  # noqa: DTZ007  the zone is the area's, put on later
    except ValueError:
        raise InputError.one(where, f"'{text}' is not a clock time.", "Write it as 05:30.") from None
