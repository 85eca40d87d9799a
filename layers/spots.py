"""The spots of a skipper's book, and what is done with them: pure functions on tuples."""

from __future__ import annotations

import difflib
import secrets
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from math import isfinite
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import Geod

from layers._errors import Finding, InputError
from layers.coordinatetext import visible_text
from layers.positions import format_position

MOST_SPOTS = 50_000
NEAR_M = 30.0
"""Nearer than this, two spots may be one place: twice what a fix at sea is good for; common practice, no source."""
ALIKE_M = 200.0
"""Nearer than this, two spots of one name may be one place; common practice, no source."""
LONGEST = {"name": 100, "kind": 40, "note": 1_000, "told_by": 100}
_NEIGHBOURS = 8
_BALL_M = 6_371_000.0
_SLACK = 1.01
_COPY_M = 1.0
_LISTED = 6
_WGS84 = Geod(ellps="WGS84")

Token = Callable[[], str]
new_token: Token = partial(secrets.token_hex, 3)
"""Six hexadecimal digits: short enough to type."""


@dataclass(frozen=True)
class Spot:
    """A place in the skipper's own book, WGS 84 in degrees.

    `identity` is its own for good, and empty before it is in a book. `told_by` and `dated` say who told of it and when.
    `others` are attributes that a GIS added. `drawn` is the shape (WKB) of a spot without a sound position, whose
    longitude and latitude are NaN; it is None where even a shape is missing.
    """

    identity: str
    name: str
    kind: str
    note: str
    private: bool
    told_by: str
    dated: date | None
    lon: float
    lat: float
    others: tuple[tuple[str, Any], ...] = ()
    drawn: bytes | None = None

    @property
    def placed(self) -> bool:
        """Return whether it has a position."""
        return isfinite(self.lon) and isfinite(self.lat)

    @property
    def position(self) -> str:
        """Return its position in words."""
        return format_position(self.lon, self.lat) if self.placed else "no position"


@dataclass(frozen=True)
class SpotChange:
    """What is to change of a spot; None leaves it. `position` is (longitude, latitude) in degrees."""

    name: str | None = None
    kind: str | None = None
    note: str | None = None
    private: bool | None = None
    told_by: str | None = None
    dated: date | None = None
    position: tuple[float, float] | None = None


def plain_words(text: str, key: str, where: str) -> tuple[str, tuple[Finding, ...]]:
    """Return a text on one line, without characters that no one sees; that it held some is told.

    Raises
    ------
    InputError
        It is longer than the book takes, or a name of nothing.

    Examples
    --------
    >>> plain_words("Gull  Point", "name", "--name")
    ('Gull Point', ())
    """
    shown, hidden = visible_text(text)
    plain = " ".join(shown.split())
    if len(plain) > LONGEST[key]:
        found = f"has {len(plain)} characters, and {LONGEST[key]} is the most."
        raise InputError.one(where, found, "Shorten it.")
    if key == "name" and not plain:
        raise InputError.one(where, "a spot needs a name.", "Give it one.")
    if not hidden:
        return plain, ()
    found = f"characters that cannot be seen were left out of the {key} '{plain}'."
    return plain, (Finding(where, found, "Check it.", "warning"),)


def added(spots: Sequence[Spot], new: Sequence[Spot], token: Token = new_token) -> tuple[Spot, ...]:
    """Return the spots with new ones after them, each with an identity of its own.

    Raises
    ------
    InputError
        They would be more than 50,000.
    """
    if len(spots) + len(new) > MOST_SPOTS:
        found = f"would hold {len(spots) + len(new):,} spots, and {MOST_SPOTS:,} is the most."
        raise InputError.one("the spot book", found, "Bring in fewer of them.")
    taken = {one.identity for one in spots}
    out = list(spots)
    for spot in new:
        identity = token()
        while identity in taken or not identity:
            identity = token()
        taken.add(identity)
        out.append(replace(spot, identity=identity))
    return tuple(out)


def spot_named(spots: Sequence[Spot], wanted: str) -> Spot:
    """Return the spot of an identity or of a name, in any case.

    Raises
    ------
    InputError
        There is none, or more than one: all of them are listed with their ids.
    """
    word = " ".join(wanted.split()).casefold()
    by_id = [one for one in spots if word == one.identity.casefold()]
    found = by_id or [one for one in spots if word == one.name.casefold()]
    if not found:
        near = difflib.get_close_matches(word, [one.name.casefold() for one in spots], n=1)
        like = next((one.name for one in spots if near and one.name.casefold() == near[0]), "")
        remedy = f"Did you mean '{like}'?" if like else "The command spots lists what is there."
        raise InputError.one(f"'{wanted}'", "is no spot of the book.", remedy)
    if len(found) > 1:
        listed = "; ".join(f"{one.identity} '{one.name}' at {one.position}" for one in found[:_LISTED])
        listed += f"; and {len(found) - _LISTED} more" if len(found) > _LISTED else ""
        raise InputError.one(f"'{wanted}'", f"may be any of {len(found)} spots: {listed}.", "Say which by its id.")
    return found[0]


def changed(spots: Sequence[Spot], identity: str, change: SpotChange) -> tuple[Spot, ...]:
    """Return the spots, one of them changed."""
    what: dict[str, Any] = {
        key: value
        for key in ("name", "kind", "note", "private", "told_by", "dated")
        if (value := getattr(change, key)) is not None
    }
    if change.position is not None:
        what |= {"lon": change.position[0], "lat": change.position[1], "drawn": None}
    return tuple(replace(one, **what) if one.identity == identity else one for one in spots)


def removed(spots: Sequence[Spot], identity: str) -> tuple[Spot, ...]:
    """Return the spots without one."""
    return tuple(one for one in spots if one.identity != identity)


def merged(spots: Sequence[Spot], keep: str, drop: str) -> tuple[Spot, ...]:
    """Return the spots with two of them as one: the kept one, with what only the dropped one said in its note.

    It is private if either was. What of the dropped one differs (name, kind, place, who told, when) goes into the note.

    Raises
    ------
    InputError
        They are the same one, or the note would be too long.
    """
    one, other = spot_named(spots, keep), spot_named(spots, drop)
    if one is other:
        raise InputError.one("the spot book", f"'{keep}' and '{drop}' are the same spot.", "Name two.")
    said = [note for note in dict.fromkeys((one.note, other.note)) if note]
    if other.name.casefold() != one.name.casefold():
        said.append(f"also called {other.name}")
    if other.kind and one.kind and other.kind != one.kind:
        said.append(f"also {other.kind}")
    if other.position != one.position:
        said.append(f"also put at {other.position}")
    if one.told_by and other.told_by and other.told_by != one.told_by:
        said.append(f"also told by {other.told_by}")
    if one.dated and other.dated and other.dated != one.dated:
        said.append(f"also dated {other.dated}")
    mine = dict(one.others)
    said += [f"{key}: {value}" for key, value in other.others if key in mine and mine[key] != value]
    note = "; ".join(said)
    if len(note) > LONGEST["note"]:
        found = f"the notes of '{one.name}' and '{other.name}' have {len(note)} characters together."
        raise InputError.one("the spot book", found, f"Shorten one: {LONGEST['note']} is the most.")
    whole = replace(
        one,
        note=note,
        kind=one.kind or other.kind,
        private=one.private or other.private,
        told_by=one.told_by or other.told_by,
        dated=one.dated or other.dated,
        others=(*one.others, *((key, value) for key, value in other.others if key not in mine)),
    )
    return tuple(whole if spot is one else spot for spot in spots if spot is not other)


def metres_between(one: Spot, other: Spot) -> float:
    """Return how far apart two spots are, along the ellipsoid; NaN where one has no position."""
    if not (one.placed and other.placed):
        return float("nan")
    return float(_WGS84.inv(one.lon, one.lat, other.lon, other.lat)[2])


def near_doubles(
    spots: Sequence[Spot], within_m: float = NEAR_M, *, alike_m: float = ALIKE_M
) -> tuple[tuple[Spot, Spot, float], ...]:
    """Return the pairs that may be one place, nearest first, with their distance in metres.

    Parameters
    ----------
    spots
        The spots; those without a position are left out.
    within_m
        How near two of any name are.
    alike_m
        How near two of one name, in any case, are.

    Returns
    -------
    tuple of (Spot, Spot, float)
        Each pair once, the one that is first in the book first. Of a spot the eight nearest are looked at: of a heap
        of more, the others come up once those are merged.
    """
    placed = [one for one in spots if one.placed]
    lonlat = np.array([(one.lon, one.lat) for one in placed]).reshape(-1, 2)
    by_name = defaultdict[str, list[int]](list)
    for i, spot in enumerate(placed):
        by_name[spot.name.casefold()].append(i)
    groups = [(np.arange(len(placed)), within_m)]
    groups += [(np.array(group), alike_m) for group in by_name.values() if len(group) > 1]
    pairs: dict[tuple[int, int], float] = {}
    for group, reach_m in groups:
        for i, j, metres in _near_pairs(lonlat[group], reach_m):
            first, second = sorted((int(group[i]), int(group[j])))
            pairs[first, second] = metres
    return tuple(
        (placed[i], placed[j], metres) for (i, j), metres in sorted(pairs.items(), key=lambda one: (one[1], one[0]))
    )


def not_in(spots: Sequence[Spot], new: Sequence[Spot]) -> tuple[tuple[Spot, ...], tuple[Spot, ...]]:
    """Return what of `new` the book does not have, and what it has: to the metre, by name, with nothing new said."""
    by_name = defaultdict[str, list[Spot]](list)
    for one in spots:
        by_name[one.name.casefold()].append(one)

    def known(spot: Spot) -> bool:
        return any(
            spot.note in ("", one.note) and spot.kind in ("", one.kind) and metres_between(spot, one) <= _COPY_M
            for one in by_name[spot.name.casefold()]
        )

    has = [known(spot) for spot in new]
    fresh = tuple(spot for spot, there in zip(new, has, strict=True) if not there)
    return fresh, tuple(spot for spot, there in zip(new, has, strict=True) if there)


def shared_names(spots: Sequence[Spot]) -> tuple[tuple[str, int], ...]:
    """Return the names that more than one spot has, and how many have it."""
    counts = Counter(one.name.casefold() for one in spots)
    first = {one.name.casefold(): one.name for one in reversed(spots)}
    return tuple((first[name], count) for name, count in counts.items() if count > 1)


def _near_pairs(lonlat: npt.NDArray[np.float64], reach_m: float) -> list[tuple[int, int, float]]:
    """Return the pairs within reach, found on a ball, right at the poles and across 180°, and measured on WGS 84."""
    if len(lonlat) <= 1:
        return []
    from scipy.spatial import cKDTree  # noqa: PLC0415 - only what compares spots needs it

    lon, lat = np.radians(lonlat).T
    ball = _BALL_M * np.column_stack((np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)))
    most = min(_NEIGHBOURS + 1, len(lonlat))
    chords, others = cKDTree(ball).query(ball, k=most, distance_upper_bound=_SLACK * reach_m)
    i, at = np.nonzero(np.isfinite(chords))
    j = others[i, at]
    first, second = np.minimum(i, j), np.maximum(i, j)
    couples = np.unique(np.column_stack((first, second))[first != second], axis=0)
    if not len(couples):
        return []
    one, other = lonlat[couples[:, 0]].T, lonlat[couples[:, 1]].T
    metres = np.asarray(_WGS84.inv(*one, *other)[2])
    near = metres <= reach_m
    return [(int(a), int(b), float(d)) for (a, b), d in zip(couples[near], metres[near], strict=True)]


def points_of(spots: Sequence[Spot]) -> npt.NDArray[np.object_]:
    """Return the spots' points in longitude and latitude; the shape as drawn where one has no position."""
    lonlat = [(one.lon, one.lat) if one.placed else (0.0, 0.0) for one in spots]
    points = np.asarray(shapely.points(np.array(lonlat, dtype=float).reshape(-1, 2)), dtype=object)
    for i, one in enumerate(spots):
        if not one.placed:
            points[i] = None if one.drawn is None else shapely.from_wkb(one.drawn)
    return points
