"""One local metric projection for an area: oblique stereographic on WGS 84, true to scale at its centre.

It is conformal, so headings and turning circles stay what they are on the water; it has no seam at the 180th
meridian and none at the poles. At d km from the centre lengths are off by at most d²/(4·6371²) + d/1.9e6 (the
second for the flattening): 1.1 m in 10 km at 100 km.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Proj, Transformer
from shapely import LineString, MultiLineString

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

FloatArray = npt.NDArray[np.float64]
Geometries = npt.NDArray[np.object_]

_EARTH_RADIUS_M = 6_371_000.0
_CHORD_ERROR_M = 0.02
"""How far an edge may stray when it is bent from one coordinate system into another."""
_PROJECTED_STEP_M = 500.0
_TURN_DEG = 360.0
_HALF_TURN_DEG = 180.0
_QUARTER_TURN_DEG = 90.0
_POLE_DEG = 90.0 - 1e-9
_BY_THE_SEAM_DEG = 179.0
_SEAM_WIDTH_M = 1e-6
_NO_MIDDLE = 1e-6
_POLE_HOLE_M = 1.0
_AROUND_ANTIPODE_DEG = 20.0
_LINES = (1, 2, 5)  # shapely's type numbers
_POINTS = (0, 4)


@dataclass(frozen=True)
class LocalProjection:
    """Local metres around a centre: x east and y north of it.

    Parameters
    ----------
    lon0_deg, lat0_deg
        The centre, WGS 84 degrees.

    Examples
    --------
    >>> local = LocalProjection(179.9, -16.0)
    >>> x, y = local.to_local([180.0, -180.0, -179.9], [-16.0, -16.0, -16.0])
    >>> x.round().tolist()
    [10703.0, 10703.0, 21407.0]
    >>> round(float(local.true_course_deg(0.0, 0.0, 0.0)), 6)
    90.0
    """

    lon0_deg: float
    lat0_deg: float

    @cached_property
    def _proj(self) -> Proj:
        return Proj(
            f"+proj=stere +lat_0={self.lat0_deg!r} +lon_0={self.lon0_deg!r} +k_0=1 +x_0=0 +y_0=0"
            " +datum=WGS84 +units=m +no_defs"
        )

    def to_local(self, lon: npt.ArrayLike, lat: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return local metres of WGS 84 positions.

        Parameters
        ----------
        lon, lat
            Degrees, any one shape; longitudes of any turn (190 is −170).

        Returns
        -------
        tuple of arrays
            x and y in metres, of that shape; infinite where the position is not on the earth.
        """
        lon, lat = (np.array(a, dtype=np.float64) for a in np.broadcast_arrays(lon, lat))
        x, y = self._proj(lon.ravel(), lat.ravel())
        return np.asarray(x).reshape(lon.shape), np.asarray(y).reshape(lon.shape)

    def to_geographic(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return WGS 84 positions of local metres: longitudes in [−180, 180) and latitudes, degrees."""
        x, y = (np.array(a, dtype=np.float64) for a in np.broadcast_arrays(x, y))
        lon, lat = self._proj(x.ravel(), y.ravel(), inverse=True)
        return _wrapped(np.asarray(lon)).reshape(x.shape), np.asarray(lat).reshape(x.shape)

    def true_course_deg(self, x: npt.ArrayLike, y: npt.ArrayLike, heading_rad: npt.ArrayLike) -> FloatArray:
        """Return the true course of a local heading at a local point.

        Parameters
        ----------
        x, y
            Local metres.
        heading_rad
            Radians counter-clockwise from the x axis.

        Returns
        -------
        array
            Degrees clockwise from true north in [0, 360), the convergence of meridians included.
        """
        course = np.degrees(self._north_rad(x, y) - np.asarray(heading_rad, dtype=np.float64)) % _TURN_DEG
        return np.where(course == _TURN_DEG, 0.0, course)  # `%` gives a full turn for a hair under 0

    def heading_rad(self, x: npt.ArrayLike, y: npt.ArrayLike, course_deg: npt.ArrayLike) -> FloatArray:
        """Return the local heading, radians in [−π, π), of a true course in degrees at a local point."""
        heading = self._north_rad(x, y) - np.radians(np.asarray(course_deg, dtype=np.float64))
        return np.asarray((heading + np.pi) % (2 * np.pi) - np.pi)

    def _north_rad(self, x: npt.ArrayLike, y: npt.ArrayLike) -> FloatArray:
        lon, lat = self.to_geographic(x, y)
        # A step towards the equator never runs over a pole.
        south, north = np.where(lat > 0, lat - 1e-4, lat), np.where(lat > 0, lat, lat + 1e-4)
        x0, y0 = self.to_local(lon, south)
        x1, y1 = self.to_local(lon, north)
        return np.asarray(np.arctan2(y1 - y0, x1 - x0))

    def project(self, geometry: BaseGeometry | Geometries, crs: Any = None) -> BaseGeometry | Geometries:
        """Return geometry in local metres.

        Edges are first made of short pieces, since a straight edge in the file's own coordinates (in
        longitude and latitude too, says RFC 7946) is bent here; it strays less than 2 cm. Parts cut at ±180°
        are joined without a seam. Geometry that reaches round the earth loses what lies within 20° of the far
        side.

        Parameters
        ----------
        geometry
            One shapely geometry or an array of them; polygons must be valid, and no edge may span 180° of
            longitude or more except along a pole (which way round it goes would be a guess).
        crs
            Anything pyproj reads as a coordinate system, taken x (east, longitude) first; None is WGS 84.

        Returns
        -------
        geometry or array
            Like what came in; None and empty geometries stay.

        Raises
        ------
        ValueError
            An edge spans 180° of longitude or more.
        pyproj.exceptions.CRSError
            `crs` cannot be read.
        """
        many = np.atleast_1d(np.asarray(geometry, dtype=object)).ravel()
        to_wgs84 = None if crs is None else _to_wgs84(CRS.from_user_input(crs))
        if to_wgs84 is not None and not to_wgs84.source_crs.is_geographic:  # type: ignore[union-attr]
            step = _PROJECTED_STEP_M / to_wgs84.source_crs.axis_info[0].unit_conversion_factor  # type: ignore[union-attr]
            local = self._forward(shapely.segmentize(shapely.force_2d(many), step), to_wgs84)
        else:
            local = self._project_geographic(shapely.force_2d(many), to_wgs84)
        return local if isinstance(geometry, np.ndarray) else local[0]

    def _project_geographic(self, many: Geometries, to_wgs84: Transformer | None) -> Geometries:
        edge = wide_edges(many)
        if edge.any():
            raise ValueError(f"geometry {int(np.argmax(edge))} has an edge of 180° of longitude or more")
        near = shapely.transform(many, self._around_centre)
        reach = np.abs(shapely.bounds(near)[:, [0, 2]] - self.lon0_deg).max(axis=1, initial=0.0)
        pole = np.abs(shapely.bounds(near)[:, [1, 3]]).max(axis=1, initial=0.0) >= _POLE_DEG
        points = np.isin(shapely.get_type_id(many), _POINTS)
        far = ~points & ((reach >= _QUARTER_TURN_DEG) | pole)
        raw = shapely.bounds(many)
        for i in np.flatnonzero(~points & ~far & (raw[:, 0] <= -_HALF_TURN_DEG) & (raw[:, 2] >= _HALF_TURN_DEG)):
            near[i] = _joined(near[i], int(shapely.get_dimensions(near[i])))
        near[far] = None
        local = self._forward(_densified(near), to_wgs84)
        for i in np.flatnonzero(far):
            local[i] = self._project_far(many[i], to_wgs84)
        return local

    def _project_far(self, geometry: BaseGeometry, to_wgs84: Transformer | None) -> BaseGeometry:
        # Both the centre's meridian and its opposite are the line x = 0, so halves on either side of it are
        # whole in the plane and meet exactly.
        west, east = self.lon0_deg - 180.0, self.lon0_deg + 180.0
        reach = _AROUND_ANTIPODE_DEG
        south, north = -self.lat0_deg - reach, -self.lat0_deg + reach
        antipode = [
            shapely.box(west, south, west + reach, north),
            shapely.box(east - reach, south, east, north),
        ]
        if max(-south, north) >= _POLE_DEG:
            antipode = [shapely.box(west, south, east, north)]
        turned = [shapely.transform(geometry, lambda c, k=k: np.add(c, (_TURN_DEG * k, 0.0))) for k in (-1, 0, 1)]
        # Parts meet at ±180° here, where they were cut.
        whole = shapely.difference(
            shapely.union_all(np.concatenate([shapely.get_parts(t) for t in turned])),
            shapely.union_all(antipode),
        )
        halves = [shapely.box(west, -90, self.lon0_deg, 90), shapely.box(self.lon0_deg, -90, east, 90)]
        pieces = np.asarray(shapely.intersection(whole, halves))
        local = self._forward(_densified(pieces[~shapely.is_empty(pieces)]), to_wgs84)
        on_seam = shapely.transform(local, _onto_seam)
        return _joined(shapely.geometrycollections(on_seam), int(shapely.get_dimensions(geometry)))

    def _forward(self, many: Geometries, to_wgs84: Transformer | None) -> Geometries:
        def forward(xy: FloatArray) -> FloatArray:
            lon, lat = to_wgs84.transform(xy[:, 0], xy[:, 1]) if to_wgs84 else (xy[:, 0], xy[:, 1])
            return np.column_stack(self.to_local(lon, lat))

        return np.asarray(shapely.transform(many, forward))

    def _around_centre(self, lonlat: FloatArray) -> FloatArray:
        return np.column_stack([self.lon0_deg + _wrapped(lonlat[:, 0] - self.lon0_deg), lonlat[:, 1]])

    def unproject(self, geometry: BaseGeometry) -> BaseGeometry:
        """Return a local geometry in WGS 84 degrees, as RFC 7946 asks.

        Edges are made of short pieces so that they stray less than 2 cm when read as straight in longitude
        and latitude. What crosses ±180° is cut there into a multi-part geometry. A polygon over a pole gets a
        hole of 1 m there.
        """
        if geometry.is_empty or shapely.get_type_id(geometry) in _POINTS:
            return shapely.transform(geometry, lambda xy: np.column_stack(self.to_geographic(*xy.T)))
        fine = shapely.segmentize(geometry, self._step_m(geometry))
        if shapely.get_type_id(geometry) in _LINES:
            parts = [self._unproject_line(line) for line in shapely.get_parts(fine)]
            lines = [line for part in parts for line in part]
            return lines[0] if len(lines) == 1 and geometry.geom_type != "MultiLineString" else MultiLineString(lines)
        return self._unproject_polygon(fine)

    def _step_m(self, geometry: BaseGeometry) -> float:
        west, south, east, north = geometry.bounds
        _, lat = self.to_geographic([west, west, east, east], [south, north, south, north])
        steepest = np.tan(np.radians(np.clip(np.abs(lat).max(), 3.0, 89.9)))
        return float(np.sqrt(8 * _EARTH_RADIUS_M * _CHORD_ERROR_M / steepest))

    def _unproject_line(self, line: LineString) -> list[LineString]:
        lon, lat = self.to_geographic(*shapely.get_coordinates(line).T)
        lon = np.unwrap(lon, period=360.0)
        lon += 360.0 * round((self.lon0_deg - float(lon[0])) / 360.0)
        turn = np.floor((lon + 180.0) / 360.0)
        cuts = np.flatnonzero(np.diff(turn)) + 1
        seam = 360.0 * np.maximum(turn[cuts - 1], turn[cuts]) - 180.0
        share = (seam - lon[cuts - 1]) / (lon[cuts] - lon[cuts - 1])
        at = lat[cuts - 1] + share * (lat[cuts] - lat[cuts - 1])
        pieces = []
        for i, (lons, lats) in enumerate(zip(np.split(lon, cuts), np.split(lat, cuts), strict=True)):
            before, after = ([] if i == 0 else [i - 1]), ([] if i == len(cuts) else [i])
            xs = np.concatenate([seam[before], lons, seam[after]])
            ys = np.concatenate([at[before], lats, at[after]])
            xs = xs - 360.0 * turn[0 if i == 0 else cuts[i - 1]]
            if len(xs) > 1 and np.ptp(xs) + np.ptp(ys) > 0:
                pieces.append(LineString(np.column_stack([xs, ys])))
        return pieces

    def _unproject_polygon(self, fine: BaseGeometry) -> BaseGeometry:
        pole_y = float(self.to_local(self.lon0_deg, np.copysign(90.0, self.lat0_deg))[1])
        outward = float(np.copysign(1e9, pole_y))
        beyond = LineString([(0.0, pole_y), (0.0, outward)])
        if fine.intersects(beyond):
            fine = fine.difference(shapely.Point(0.0, pole_y).buffer(_POLE_HOLE_M))
            halves = [shapely.box(-1e9, -1e9, 0.0, 1e9), shapely.box(0.0, -1e9, 1e9, 1e9)]
            parts = [self._degrees(fine.intersection(half), side) for half, side in zip(halves, (-1, 1), strict=True)]
        else:
            parts = [self._degrees(fine, 0)]
        sheets = [
            shapely.transform(
                part.intersection(shapely.box(360.0 * k - 180.0, -90, 360.0 * k + 180.0, 90)),
                lambda c, k=k: np.subtract(c, (_TURN_DEG * k, 0.0)),
            )
            for part in parts
            for k in (-1, 0, 1)
        ]
        return _of_dimension(shapely.union_all([sheet for sheet in sheets if sheet.area > 0]), 2)

    def _degrees(self, geometry: BaseGeometry, side: int) -> BaseGeometry:
        def degrees(xy: FloatArray) -> FloatArray:
            lon, lat = self.to_geographic(*xy.T)
            east = _wrapped(lon - self.lon0_deg)
            if side:
                east = np.where(np.abs(east) > _BY_THE_SEAM_DEG, side * np.abs(east), east)
            return np.column_stack([self.lon0_deg + east, lat])

        return shapely.transform(geometry, degrees)


def choose_projection(points: npt.ArrayLike) -> LocalProjection:
    """Return the projection centred on points, by the mean of their directions from the earth's centre.

    Parameters
    ----------
    points
        (n, 2) longitudes and latitudes, WGS 84 degrees.

    Raises
    ------
    ValueError
        No points, a point that is not finite, or points all round the earth, which have no middle.

    Examples
    --------
    >>> choose_projection([(179.0, -17.0), (-179.0, -17.0)])
    LocalProjection(lon0_deg=-180.0, lat0_deg=-17.0024)
    """
    lonlat = np.radians(np.asarray(points, dtype=np.float64).reshape(-1, 2))
    if not len(lonlat) or not np.isfinite(lonlat).all():
        raise ValueError("a projection needs at least one point, all of them finite")
    lon, lat = lonlat.T
    x, y, z = np.mean([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=1)
    if np.hypot(np.hypot(x, y), z) < _NO_MIDDLE:
        raise ValueError("the points lie all round the earth and have no middle")
    lon0 = float(_wrapped(np.round(np.degrees(np.arctan2(y, x)), 4)))
    return LocalProjection(lon0, float(np.round(np.degrees(np.arctan2(z, np.hypot(x, y))), 4)))


def wide_edges(geometries: Geometries) -> npt.NDArray[np.bool_]:
    """Return which geometries in degrees have an edge of 180° of longitude or more, except along a pole."""
    parts, owner = shapely.get_parts(geometries, return_index=True)
    rings, ring_owner = shapely.get_rings(parts, return_index=True)
    lines = np.isin(shapely.get_type_id(parts), _LINES)
    curves = np.concatenate([rings, parts[lines]])
    owners = np.concatenate([owner[ring_owner], owner[lines]])
    xy, curve = shapely.get_coordinates(curves, return_index=True)
    step = np.abs(np.diff(xy[:, 0])) >= _HALF_TURN_DEG
    same = np.diff(curve) == 0
    at_pole = np.minimum(np.abs(xy[1:, 1]), np.abs(xy[:-1, 1])) >= _POLE_DEG
    wide = np.zeros(len(geometries), dtype=bool)
    wide[owners[curve[1:][step & same & ~at_pole]]] = True
    return wide


@lru_cache(maxsize=8)
def _to_wgs84(crs: CRS) -> Transformer:
    return Transformer.from_crs(crs, "EPSG:4326", always_xy=True)


def _wrapped(lon: npt.ArrayLike) -> FloatArray:
    lon = np.asarray(lon, dtype=np.float64)
    # Plain values are left to the last bit.
    return np.where(
        (lon >= -_HALF_TURN_DEG) & (lon < _HALF_TURN_DEG),
        lon,
        (lon + _HALF_TURN_DEG) % _TURN_DEG - _HALF_TURN_DEG,
    )


def _onto_seam(xy: FloatArray) -> FloatArray:
    return np.column_stack([np.where(np.abs(xy[:, 0]) < _SEAM_WIDTH_M, 0.0, xy[:, 0]), xy[:, 1]])


def _densified(degrees: Geometries) -> Geometries:
    # An edge of (Δφ, Δλ) leaves its chord by R/8·|sin φ|·hypot(2ΔφΔλ, cos φ Δλ²), at most R/8·|sin φ|·(length
    # in radians)²: the second derivative of the position along the edge, seen from above.
    bounds = shapely.bounds(degrees)
    steepest = np.sin(np.radians(np.nan_to_num(np.abs(bounds[:, [1, 3]]).max(axis=1, initial=0.0), nan=90.0)))
    step = np.degrees(np.sqrt(8 * _CHORD_ERROR_M / (_EARTH_RADIUS_M * np.maximum(steepest, 0.05))))
    return np.asarray(shapely.segmentize(degrees, step))


def _joined(geometry: BaseGeometry, dimension: int) -> BaseGeometry:
    union = _of_dimension(shapely.union_all(_parts(geometry, dimension)), dimension)
    return shapely.line_merge(union) if dimension == 1 else union


def _of_dimension(geometry: BaseGeometry, dimension: int) -> BaseGeometry:
    parts = _parts(geometry, dimension)
    if len(parts) == 1:
        return parts[0]
    return shapely.multilinestrings(parts) if dimension == 1 else shapely.multipolygons(parts)


def _parts(geometry: BaseGeometry, dimension: int) -> Geometries:
    # Twice: a collection may hold multi-part geometry. What only touches a cut leaves points and lines.
    parts = shapely.get_parts(shapely.get_parts(geometry))
    return np.asarray(parts[shapely.get_dimensions(parts) == dimension])
