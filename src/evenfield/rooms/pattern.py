"""Patterns as the kernels read them: spline coefficients of every way on a torus of directions, at the grid's nodes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, message
from evenfield.data.directions import spherical_to_vectors
from evenfield.data.directivity import Directivity
from evenfield.data.interpolation import interpolate
from evenfield.data.orbits import stored_orbit
from evenfield.rooms.source import Loudspeaker

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

STEP_DEG = 5.0
"""Spacing of the table; a bicubic spline runs between."""


@dataclass(frozen=True)
class PatternTable:
    """Directivity times filter response of every way, ready for the kernels.

    Parameters
        coefficient : (W, rows, columns, 2, J) float32, real and imaginary B-spline coefficients over elevation (continued over
            the poles) and azimuth, at the nodes
        low : (W, L, 16) complex, third-order polynomials in the direction's components at the low-frequency points
        power : (J,) mean square of the whole over the sphere, Pa^2 m^2 / V^2
        axis : (J,) mean square on the reference axis in the far field
        way_power : (W, J) real part of (way times conjugate whole), mean over the sphere; sums to `power`
        sector_power : (W * SECTORS, J) the same by sector of direction
        method : how directions between the stored ones were found, and its error
    """

    coefficient: NDArray[np.float32]
    low: ComplexArray
    power: FloatArray
    axis: FloatArray
    way_power: FloatArray
    sector_power: FloatArray
    method: str


def table_vectors(step_deg: float = STEP_DEG) -> FloatArray:
    """(rings + 1, columns, 3) unit vectors of an azimuth/elevation grid, poles repeated."""
    rings = round(180 / step_deg)
    elevation = -90.0 + step_deg * np.arange(rings + 1)
    return spherical_to_vectors(step_deg * np.arange(2 * rings)[None], elevation[:, None])


def pattern_table(source: Loudspeaker, node_hz: FloatArray, low_hz: FloatArray, orbits: str = "refuse") -> PatternTable:
    """Tables of a loudspeaker at the nodes and at the low-frequency points.

    Parameters
        orbits : what to do with a way known on two orbits only: "refuse", or "blend" (see `blend_orbits`)
    Raises DataError when the nodes leave the frequencies a way knows, or directions are lacking.
    """
    _check_range(source, float(node_hz[0]), float(node_hz[-1]))
    vectors = table_vectors()
    fields, methods = [], []
    for d, response in zip(source.ways, source.responses, strict=True):
        values, method = _on_grid(d, vectors.reshape(-1, 3), orbits)
        fields.append((values * response[None]).reshape(*vectors.shape[:2], -1))
        methods.append(method)
    at_node = [resample(f, d.frequency, node_hz, d.phase_known) for f, d in zip(fields, source.ways, strict=True)]
    at_low = [_low_order(f, vectors, d, low_hz) for f, d in zip(fields, source.ways, strict=True)]
    coefficient = np.stack([_coefficients(f) for f in at_node])
    power, way_power, sector_power = _powers(source, at_node, vectors, node_hz)
    axis = _axis_power(source, at_node, node_hz)
    return PatternTable(
        coefficient,
        np.stack(at_low),
        power,
        axis,
        way_power,
        sector_power,
        "; ".join(dict.fromkeys(methods)),
    )


def direction_powers(vectors: FloatArray) -> FloatArray:
    """(..., 16) products of direction components up to the third order; z at most once, since z^2 = 1 - x^2 - y^2."""
    x, y, z = np.moveaxis(vectors, -1, 0)
    one = np.ones_like(x)
    plain = [one, x, x**2, x**3, y, y**2, y**3, x * y, x**2 * y, x * y**2]
    return np.stack([*plain, z, z * x, z * x**2, z * y, z * y**2, z * x * y], axis=-1)


@cache
def _fit(rows: int, columns: int) -> FloatArray:
    """(16, N) least-squares fit of `direction_powers` to every second row and column of a table, weighted by solid angle."""
    thin = table_vectors(180.0 / (rows - 1))[::2, ::2]
    weight = np.sqrt(sphere_weights(thin.shape[0] - 1, thin.shape[1])).reshape(-1, 1)
    assert thin.shape[1] * 2 == columns
    return np.asarray(np.linalg.pinv(direction_powers(thin.reshape(-1, 3)) * weight) * weight.T)


def _low_order(field: ComplexArray, vectors: FloatArray, d: Directivity, low_hz: FloatArray) -> ComplexArray:
    """(L, 16) least-squares third-order pattern, weighted by solid angle: all that a cabinet has below some 400 Hz."""
    if len(low_hz) == 0:
        return np.zeros((0, 16), complex)
    use = d.frequency < 2.0 * float(low_hz[-1])
    use[:4] = True
    values = field[::2, ::2][..., use].reshape(-1, int(use.sum()))
    solved = _fit(vectors.shape[0], vectors.shape[1]) @ values
    return np.ascontiguousarray(resample(solved, d.frequency[use], low_hz, d.phase_known).T)


def _check_range(source: Loudspeaker, low: float, high: float) -> None:
    first, last = source.frequency_range
    if low < first * 0.94 or high > last * 1.06:
        raise DataError(
            message(
                "frequencies asked of the room",
                f"within what the loudspeaker knows, {first:.4g} to {last:.4g} Hz",
                f"{low:.4g} to {high:.4g} Hz",
                cause="Nothing is filled in beyond the data",
                fix="a narrower frequency range",
            )
        )


def _on_grid(d: Directivity, vectors: FloatArray, orbits: str) -> tuple[ComplexArray, str]:
    if d.is_sphere:
        return interpolate(d, vectors), "bicubic spline on the sphere"
    if orbits == "refuse":
        raise DataError(
            "A room's reflections leave the loudspeaker in every direction, but this directivity holds orbits only: all "
            f"directions off its {len(d.directions)} stored ones are lacking. Try a full sphere, or orbits='blend' "
            "(--orbits blend), which interpolates between the two planes and states its error."
        )
    value, error = blend_orbits(d, vectors)
    return value, f"two orbits blended by roll angle, {error:.1f} dB RMS estimated error off the planes"


def blend_orbits(d: Directivity, vectors: FloatArray) -> tuple[ComplexArray, float]:
    """All directions from a closed horizontal and vertical orbit, and the estimated error.

    At the angle t from the axis and roll r (0 horizontal, 90 degrees vertical) the squared magnitude is
    cos^2 r times that of the horizontal orbit plus sin^2 r times that of the vertical one, each on its own side, with the
    phase of the same complex mean. Common practice, no source.
    Returns
        pressure : (A, F) complex
        error_db : RMS over angle and frequency of half the level difference between the two orbits within 20 dB of the axis:
            what a diagonal may differ by if the pattern between the planes is unlike either
    Raises DataError naming the angles that an orbit lacks.
    """
    for plane in ("horizontal", "vertical"):
        angle, _ = stored_orbit(d.directions, plane)
        gap = np.diff(np.append(angle, angle[0] + 360.0)) if len(angle) else np.array([360.0])
        if gap.max() > 15.0 + 1e-6:
            worst = int(np.argmax(gap))
            start = angle[worst] if len(angle) else -180.0
            raise DataError(
                f"The {plane} orbit lacks the angles between {start:g} and {start + gap[worst]:g} deg, which the room's "
                "reflections need. Missing directions are never filled in. Try closed orbits at 10 degrees or finer."
            )
    v = np.asarray(vectors, float)
    theta = np.arccos(np.clip(v[:, 0], -1, 1))
    side = np.hypot(v[:, 1], v[:, 2])
    cos2 = np.where(side > 1e-9, v[:, 1] ** 2 / np.maximum(side, 1e-9) ** 2, 1.0)
    horizontal = interpolate(d, _orbit_point(theta, np.where(v[:, 1] >= 0, 1.0, -1.0), 1))
    vertical = interpolate(d, _orbit_point(theta, np.where(v[:, 2] >= 0, 1.0, -1.0), 2))
    magnitude = np.sqrt(cos2[:, None] * np.abs(horizontal) ** 2 + (1 - cos2[:, None]) * np.abs(vertical) ** 2)
    mean = cos2[:, None] * horizontal + (1 - cos2[:, None]) * vertical
    phase = mean / np.maximum(np.abs(mean), 1e-300)
    return np.asarray(magnitude * phase), _orbit_disagreement(d)


def _orbit_point(theta: FloatArray, sign: FloatArray, axis: int) -> FloatArray:
    v = np.zeros((len(theta), 3))
    v[:, 0], v[:, axis] = np.cos(theta), sign * np.sin(theta)
    return v


def _orbit_disagreement(d: Directivity) -> float:
    theta = np.radians(np.arange(10.0, 180.0, 10.0))
    h = np.abs(interpolate(d, _orbit_point(theta, np.ones_like(theta), 1)))
    v = np.abs(interpolate(d, _orbit_point(theta, np.ones_like(theta), 2)))
    axis = np.abs(interpolate(d, [[1.0, 0.0, 0.0]]))
    near = np.maximum(h, v) > 0.1 * axis
    half = 10 * np.log10(np.maximum(h, 1e-300) / np.maximum(v, 1e-300))
    weight = np.where(near, np.sin(theta)[:, None], 0.0)
    return float(np.sqrt(np.sum(weight * np.minimum(np.abs(half), 20.0) ** 2) / max(float(weight.sum()), 1e-12)))


def resample(field: ComplexArray, axis_hz: FloatArray, wanted_hz: FloatArray, phase_known: bool = True) -> ComplexArray:
    """(..., wanted) from (..., F): cubic spline over log frequency, held at the ends (half a band at most)."""
    x = np.log(np.clip(wanted_hz, axis_hz[0], axis_hz[-1]))
    if len(axis_hz) == 1:
        return np.repeat(field, len(wanted_hz), axis=-1)
    if len(axis_hz) < 4 or not phase_known:
        i = np.clip(np.searchsorted(np.log(axis_hz), x, side="right") - 1, 0, len(axis_hz) - 2)
        s = (x - np.log(axis_hz)[i]) / np.diff(np.log(axis_hz))[i]
        return np.asarray(field[..., i] * (1 - s) + field[..., i + 1] * s)
    matrix = _spline_matrix(np.log(axis_hz).tobytes(), x.tobytes())
    return np.asarray(field.real @ matrix + 1j * (field.imag @ matrix))


@lru_cache(maxsize=32)
def _spline_matrix(axis: bytes, wanted: bytes) -> FloatArray:
    """(F, wanted) weights of the cubic spline: it is linear in the values, and a product is quicker than many splines."""
    from scipy.interpolate import CubicSpline

    knots = np.frombuffer(axis)
    return np.ascontiguousarray(CubicSpline(knots, np.eye(len(knots)), axis=0)(np.frombuffer(wanted)).T)


def _coefficients(values: ComplexArray) -> NDArray[np.float32]:
    """(2R, C, 2, J) float32 bicubic B-spline coefficients of (R + 1, C, J) values, periodic both ways.

    Source: Unser, Aldroubi, Eden, IEEE Trans. Signal Process. 41 (1993) 821: division by (2 + cos)/3 in each spectrum.
    """
    from scipy import fft

    over = np.roll(values[1:-1][::-1], values.shape[1] // 2, axis=1)
    out = np.concatenate([values, over]).astype(np.complex64)
    for axis in (0, 1):
        n = out.shape[axis]
        symbol = ((2 + np.cos(2 * np.pi * np.arange(n) / n)) / 3).astype(np.float32)
        spectrum = fft.fft(out, axis=axis) / symbol.reshape([-1 if i == axis else 1 for i in range(3)])
        out = fft.ifft(spectrum, axis=axis, overwrite_x=True)
    return np.ascontiguousarray(np.stack([out.real, out.imag], axis=2).astype(np.float32))


def sphere_weights(rings: int, columns: int) -> FloatArray:
    """(rings + 1, columns) quadrature weights that sum to 1."""
    from evenfield.data.directions import clenshaw_curtis

    return np.repeat(clenshaw_curtis(rings)[:, None] / (2 * columns), columns, axis=1)


def _powers(
    source: Loudspeaker, fields: list[ComplexArray], vectors: FloatArray, node_hz: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean square of the sum over the sphere, its share by way, and by way and sector."""
    from evenfield.rooms.sectors import SECTORS, sector_of

    turned = _turned(source, fields, vectors, node_hz)
    whole = np.sum(turned, axis=0)
    weight = sphere_weights(vectors.shape[0] - 1, vectors.shape[1])
    sector = sector_of(vectors.reshape(-1, 3)).reshape(weight.shape)
    share = np.stack([np.real(t * np.conj(whole)) * weight[:, :, None] for t in turned])
    by_sector = np.stack([share[:, sector == s].sum(axis=1) for s in range(SECTORS)], axis=1)
    way = share.sum(axis=(1, 2))
    return np.asarray(way.sum(axis=0)), way, by_sector.reshape(-1, share.shape[-1])


def _turned(source: Loudspeaker, fields: list[ComplexArray], vectors: FloatArray, node_hz: FloatArray) -> list[ComplexArray]:
    """The ways' fields referred to one common origin in the far field."""
    out = []
    for field, offset, d in zip(fields, source.offsets, source.ways, strict=True):
        if np.allclose(offset, 0.0):
            out.append(field)
            continue
        ahead = vectors @ offset
        out.append(field * np.exp(2j * np.pi / d.speed_of_sound * ahead[:, :, None] * node_hz))
    return out


def _axis_power(source: Loudspeaker, fields: list[ComplexArray], node_hz: FloatArray) -> FloatArray:
    vectors = table_vectors()
    row = (vectors.shape[0] - 1) // 2
    part = [f[row : row + 1, :1] for f in fields]
    whole = np.sum(_turned(source, part, vectors[row : row + 1, :1], node_hz), axis=0)
    return np.asarray(np.abs(whole[0, 0]) ** 2)


def directivity_index_db(table: PatternTable) -> FloatArray:
    """(J,) full-sphere directivity index of the ways together in the far field, dB."""
    return np.asarray(10 * np.log10(np.maximum(table.axis, 1e-300) / np.maximum(table.power, 1e-300)))
