"""The way back: a printed or scanned surface, laid onto the design, as deviations of the wall that can be solved."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, message
from evenfield.data.mesh import SurfaceMesh
from evenfield.shape.elements import Waveguide
from evenfield.shape.printing import missing
from evenfield.shape.printing.alignment import Alignment, Cloud, align, cloud_of
from evenfield.shape.printing.grid import WallGrid, at, normals_at, wall_grid
from evenfield.shape.printing.rays import Caster

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

UNITS_MM = {"mm": 1.0, "m": 1000.0, "inch": 25.4}
REACH_MM = 5.0
"""How far from the designed wall the scan is looked for."""
SMALL_HOLE_MM = 4.0
"""Holes of the scan up to this size are filled in from their rim, and said."""
_POINTS = 60_000
_EASE_MM = 2.0  # the wall comes back to the designed rim of the throat over this length: the driver sits there


@dataclass(frozen=True)
class AlignedScan:
    """A scan laid onto the design.

    Parameters
        guide, grid : the waveguide as designed and the grid on which it is compared
        deviation : (N, M) mm along the designed wall's normal, positive into the air
        transform : (3, 4) from the scan's millimetres to the part's frame
        residual_mm : RMS distance after the alignment
        unit : of the file, given or found
        notes : what was found or filled in
    """

    guide: Waveguide
    grid: WallGrid
    deviation: Array
    transform: Array
    residual_mm: float
    unit: str
    name: str
    notes: tuple[str, ...] = ()

    @property
    def rms_mm(self) -> float:
        """RMS deviation over the wall's area, mm."""
        weight = self._area
        return float(np.sqrt(np.sum(weight * self.deviation**2) / weight.sum()))

    @property
    def worst(self) -> tuple[float, Array]:
        """Largest deviation, mm, and where, (3,) mm."""
        k = np.unravel_index(int(np.argmax(np.abs(self.deviation))), self.deviation.shape)
        return float(self.deviation[k]), self.grid.points[k]

    @property
    def _area(self) -> Array:
        p = self.grid.points
        along = np.linalg.norm(np.gradient(p, axis=0), axis=2)
        around = np.linalg.norm(np.roll(p, -1, axis=1) - np.roll(p, 1, axis=1), axis=2) / 2
        return np.asarray(along * around)

    def symmetric(self) -> AlignedScan:
        """With left and right averaged, for a solve that uses the symmetry."""
        theta = self.grid.theta
        closed = np.append(theta, 2 * math.pi)
        mirrored = np.array([np.interp((math.pi - theta) % (2 * math.pi), closed, np.append(d, d[0])) for d in self.deviation])
        return replace(self, deviation=(self.deviation + mirrored) / 2)

    def at(self, t: Array, theta: Array) -> Array:
        """(K,) deviation at places of the wall, mm, eased to nothing at the throat's rim."""
        from scipy.interpolate import RegularGridInterpolator

        closed = np.append(self.grid.theta, 2 * math.pi)
        value = np.column_stack([self.deviation * self._ease[:, None], self.deviation[:, 0] * self._ease])
        return np.asarray(RegularGridInterpolator((self.grid.t, closed), value)(np.column_stack([t, theta % (2 * math.pi)])))

    @property
    def _ease(self) -> Array:
        step = np.linalg.norm(np.diff(self.grid.points, axis=0), axis=2).mean(axis=1)
        to_throat = np.append(np.cumsum(step[::-1])[::-1], 0.0)
        return np.asarray(np.clip(to_throat / _EASE_MM, 0, 1))

    def apply(self, mesh: SurfaceMesh) -> SurfaceMesh:
        """The cabinet's surface with the scanned wall in place of the designed one.

        Parameters
            mesh : built from the same cabinet, m, moving parts tagged
        Returns
            SurfaceMesh : the same triangles, the wall's vertices moved; symmetric only where both mesh and deviation are
        """
        vertices = mesh.vertices.copy()
        place = np.array([0.0, self.guide.y, self.guide.z])
        chosen, t, theta = self._on_wall(mesh, place)
        normal = _normals(self.grid, t, theta)
        vertices[chosen] += self.at(t, theta)[:, None] / 1000 * normal
        mirror = mesh.mirror
        if mirror is not None and not np.allclose(self.symmetric().deviation, self.deviation, atol=1e-6):
            mirror = None
        if mirror is not None:
            flat = chosen[np.abs(mesh.vertices[chosen, 1]) < 1e-12]
            vertices[flat, 1] = 0.0
        made = SurfaceMesh(vertices, mesh.triangles, mesh.part, mirror)
        made.check_closed()
        return made

    def _on_wall(self, mesh: SurfaceMesh, place: Array) -> tuple[Ints, Array, Array]:
        """Vertices of the designed wall, and where on it they are."""
        rigid = mesh.triangles[np.isin(mesh.part, ["rigid", "0", ""]) | (mesh.part == 0)]
        candidates = np.unique(rigid)
        moving = np.unique(mesh.triangles[mesh.of_part(self.guide.name)])
        local = 1000 * (mesh.vertices[candidates] - place)
        theta = np.arctan2(local[:, 2], local[:, 1]) % (2 * math.pi)
        radius = np.hypot(local[:, 1], local[:, 2])
        reach = np.interp(theta, np.append(self.grid.theta, 2 * math.pi), _closed(np.hypot(*self.grid.points[0, :, 1:].T)))
        near = (radius < reach + 0.5) & (local[:, 0] > -self.grid.depth - 0.5) & (local[:, 0] < 50.0)
        near &= ~np.isin(candidates, moving)
        candidates, local, theta, radius = candidates[near], local[near], theta[near], radius[near]
        t, away = _nearest_station(self.grid, local[:, 0], radius, theta)
        on = away < 1.0
        return candidates[on], t[on], theta[on]


def _closed(row: Array) -> Array:
    return np.append(row, row[0])


def _nearest_station(grid: WallGrid, x: Array, radius: Array, theta: Array) -> tuple[Array, Array]:
    """Stations (K,) of the wall's own meridian nearest to points, and the distance left, mm."""
    t = np.linspace(0, 1, 801)
    best_t, best = np.zeros(len(x)), np.full(len(x), np.inf)
    for k in range(0, len(x), 256):
        part = slice(k, k + 256)
        wx, wr = (1000 * v for v in grid.strip.surface(t, theta[part]))
        gap = np.hypot(wx - x[part], wr - radius[part])
        index = gap.argmin(axis=0)
        best_t[part], best[part] = t[index], gap[index, np.arange(gap.shape[1])]
    return best_t, best


def _normals(grid: WallGrid, t: Array, theta: Array) -> Array:
    """(K, 3) unit normals at single places of the wall."""
    e = 1e-5

    def point(s: Array, a: Array) -> Array:
        out = np.empty((len(s), 3))
        for k in range(len(s)):
            out[k] = at(grid.strip, s[k : k + 1], a[k : k + 1])[0, 0]
        return out

    along = point(np.clip(t + e, 0, 1), theta) - point(np.clip(t - e, 0, 1), theta)
    around = point(t, theta + e) - point(t, theta - e)
    cross = np.cross(around, along)
    return np.asarray(cross / np.linalg.norm(cross, axis=1, keepdims=True))


def read_surface(path: Path) -> tuple[Array, Ints]:
    """Vertices and triangles of an STL or PLY file, in its own unit. Raises DataError."""
    try:
        import trimesh
    except ImportError as error:
        missing(error)
    path = Path(path)
    if path.suffix.lower() not in (".stl", ".ply"):
        raise DataError(message("the scan", "an STL or PLY file", path.name))
    if not path.is_file():
        raise DataError(message("the scan", "a file that exists", str(path)))
    try:
        mesh: Any = trimesh.load_mesh(path)
        vertices, triangles = np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.int64)
    except Exception as error:
        raise DataError(message("the scan", "a readable STL or PLY file", f"'{error}'", where=path.name)) from None
    if len(triangles) < 100 or not np.all(np.isfinite(vertices)):
        raise DataError(message("the scan", "a surface of at least 100 triangles", f"{len(triangles)}", where=path.name,
                                cause="Points without triangles carry no surface"))  # fmt: skip
    return vertices, triangles


def find_unit(vertices: Array, size_mm: float, unit: str | None = None) -> str:
    """The file's unit: as given, or the one in which the scan is about as large as the part.

    Raises DataError when no unit, or more than one, makes it so.
    """
    if unit is not None:
        if unit not in UNITS_MM:
            raise DataError(message("units", f"one of {', '.join(UNITS_MM)}", repr(unit)))
        return unit
    found = float(np.ptp(vertices, axis=0).max())
    near = [name for name, scale in UNITS_MM.items() if 0.7 < found * scale / size_mm < 1.6]
    if len(near) != 1:
        raise DataError(
            message(
                "the scan's unit",
                "given",
                f"a surface {found:.4g} across where the part is {size_mm:.0f} mm",
                fix='units="mm" or units="m"',
            )
        )
    return near[0]


def lay_scan(
    guide: Waveguide, vertices: Array, triangles: Ints, name: str = "scan", unit: str | None = None,
    part: tuple[Array, Ints] | None = None,
) -> AlignedScan:  # fmt: skip
    """Align a surface with a waveguide and measure how its wall deviates.

    Parameters
        vertices (V, 3) in the file's unit, triangles (T, 3); normals may point either way
        part : vertices mm and triangles of the whole part as designed, for scans of all of it
    Raises DataError when it is another part, or its wall has a hole larger than `SMALL_HOLE_MM`, with where.
    """
    grid = wall_grid(guide, 0.02)
    wall = Cloud(grid.points[::1, ::2].reshape(-1, 3), grid.normals[::1, ::2].reshape(-1, 3)).thinned(6000)
    size = float(np.ptp(grid.points.reshape(-1, 3), axis=0).max())
    unit = find_unit(vertices, size, unit)
    scaled = vertices * UNITS_MM[unit]
    whole = None if part is None else cloud_of(*part, 8000)
    best: tuple[Alignment, Ints] | None = None
    refused: DataError | None = None
    for oriented in (triangles, triangles[:, ::-1]):
        try:
            laid = align(cloud_of(scaled, oriented, _POINTS), wall, whole)
        except DataError as error:
            refused = error
            continue
        if best is None or laid.rms_mm < best[0].rms_mm:
            best = laid, oriented
        if laid.rms_mm < 0.5:
            break
    if best is None:
        assert refused is not None
        raise refused
    laid, oriented = best
    deviation, notes = _deviation(grid, scaled @ laid.move[:, :3].T + laid.move[:, 3], oriented)
    turned = ("turned about its axis the part fits as well: mark its top before scanning",) if laid.ambiguous else ()
    return AlignedScan(guide, grid, deviation, laid.move, laid.rms_mm, unit, name, (f"read as {unit}", *notes, *turned))


def _deviation(grid: WallGrid, vertices: Array, triangles: Ints) -> tuple[Array, tuple[str, ...]]:
    """(N, M) along the normal, holes filled where small. Raises DataError where large."""
    caster = Caster.of(vertices, triangles)
    # on the very rims a line may just miss the edge
    t = np.clip(grid.t, 2e-3, 1 - 2e-3)
    points, normals = at(grid.strip, t, grid.theta), normals_at(grid.strip, t, grid.theta)
    flat, out = points.reshape(-1, 3), normals.reshape(-1, 3)
    from evenfield.shape.printing.rays import normals_of

    facing, _ = normals_of(vertices, triangles)
    found = np.full(len(flat), np.nan)
    for start, way in ((0.0, 1.0), (0.0, -1.0), (REACH_MM, -1.0)):
        distance, hit = caster.first(flat + start * out - way * 1e-6 * out, way * out)
        good = (hit >= 0) & (np.einsum("ij,ij->i", facing[hit], out) > 0.3)
        value = np.where(good, start + way * distance, np.nan)
        closer = good & (np.abs(value) <= REACH_MM) & ~(np.abs(found) <= np.abs(value))
        found[closer] = value[closer]
    value = found.reshape(points.shape[:2])
    return _filled(grid, value)


def _filled(grid: WallGrid, value: Array) -> tuple[Array, tuple[str, ...]]:
    gaps = np.isnan(value)
    if not np.any(gaps):
        return value, ()
    from scipy.ndimage import label

    joined, count = label(np.hstack([gaps, gaps]))
    largest, where = 0.0, grid.points[0, 0]
    for k in range(1, count + 1):
        rows, columns = np.nonzero(joined == k)
        points = grid.points[rows, columns % grid.points.shape[1]]
        size = 2 * float(np.linalg.norm(points - points.mean(axis=0), axis=1).max())
        if size > largest:
            largest, where = size, points.mean(axis=0)
    if largest > SMALL_HOLE_MM:
        angle = math.degrees(math.atan2(where[2], where[1])) % 360
        raise DataError(
            message(
                "the scan",
                "of the whole acoustic wall",
                f"a hole {largest:.0f} mm across",
                where=f"{-where[0]:.0f} mm behind the baffle, {angle:.0f} deg from +y towards +z",
                cause=f"Nothing of the scan lies within {REACH_MM:g} mm of the wall there",
                fix="another scan, or closing the hole in it",
            )
        )
    from scipy.interpolate import NearestNDInterpolator

    places = grid.points.reshape(-1, 3)
    good = ~gaps.ravel()
    value = value.copy()
    value[gaps] = NearestNDInterpolator(places[good], value.ravel()[good])(grid.points[gaps])
    return value, (f"{int(gaps.sum())} places without scan filled from beside, {largest:.1f} mm across at most",)


def read_scan(path: str | Path, guide: Waveguide, unit: str | None = None, part: tuple[Array, Ints] | None = None) -> AlignedScan:
    """Read a scanned surface and lay it onto a waveguide, see `lay_scan`. Raises DataError."""
    vertices, triangles = read_surface(Path(path))
    return lay_scan(guide, vertices, triangles, Path(path).name, unit, part)
