"""Loudspeaker: what stands in the room; its ways, each with its own origin and response, and where it is put."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, message
from evenfield.data.directions import Directions, sphere_directions
from evenfield.data.directivity import Directivity

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Way = Directivity | tuple[Directivity, ComplexArray | None]


@dataclass(frozen=True)
class Loudspeaker:
    """One loudspeaker as rooms see it.

    Parameters
        ways : Directivity of each way, each about its own origin in the design's frame
        responses : (F,) complex filter response of each way on its own frequency axis
        reference : (3,) m, the point of the design's frame that is put at the place in the room
        names : of the ways
    """

    ways: tuple[Directivity, ...]
    responses: tuple[ComplexArray, ...]
    reference: tuple[float, float, float]
    names: tuple[str, ...]
    title: str = "loudspeaker"

    @property
    def phase_known(self) -> bool:
        """False where only the magnitude of some way is known: its paths then add as if its pattern had zero phase."""
        return all(d.phase_known for d in self.ways)

    @property
    def level_absolute(self) -> bool:
        """False where levels are relative."""
        return all(d.level_absolute for d in self.ways)

    @property
    def frequency_range(self) -> tuple[float, float]:
        """Lowest and highest frequency that every way knows, Hz."""
        return max(float(d.frequency[0]) for d in self.ways), min(float(d.frequency[-1]) for d in self.ways)

    @property
    def offsets(self) -> FloatArray:
        """(W, 3) m, origins of the ways from the reference point."""
        return np.asarray(np.asarray([d.origin for d in self.ways]) - np.asarray(self.reference))


def loudspeaker(
    ways: Loudspeaker | Way | Sequence[Way],
    names: Iterable[str] | None = None,
    reference: Sequence[float] | None = None,
    title: str = "loudspeaker",
) -> Loudspeaker:
    """A Loudspeaker from one Directivity, or a list of Directivity or (Directivity, (F,) complex response).

    The reference point defaults to the origin of the last way (the high-frequency one, lowest first).
    Raises DataError when a response does not fit its axis, or the media differ.
    """
    if isinstance(ways, Loudspeaker):
        return ways
    listed: list[Way] = [ways] if isinstance(ways, Directivity) or _is_pair(ways) else list(ways)  # type: ignore[list-item,arg-type]
    if not listed:
        raise DataError(message("loudspeaker", "at least one way", "none"))
    directivities, responses = [], []
    for entry in listed:
        d, response = (entry, None) if isinstance(entry, Directivity) else entry
        r = np.ones(len(d.frequency), complex) if response is None else np.asarray(response, complex)
        if r.shape != d.frequency.shape:
            raise DataError(message("response of a way", f"one value per frequency ({len(d.frequency)})", r.shape))
        directivities.append(d)
        responses.append(r)
    origin = directivities[-1].origin if reference is None else tuple(float(v) for v in reference)
    known = tuple(names) if names is not None else tuple(f"way {i + 1}" for i in range(len(directivities)))
    return Loudspeaker(tuple(directivities), tuple(responses), origin, known, title)  # type: ignore[arg-type]


def _is_pair(ways: object) -> bool:
    return (
        isinstance(ways, tuple) and len(ways) == 2 and isinstance(ways[0], Directivity) and not isinstance(ways[1], Directivity)
    )


@dataclass(frozen=True)
class Placement:
    """Where a loudspeaker stands and looks, in the room's frame (floor at z = 0, z up).

    Parameters
        position : (3,) m, of its reference point
        azimuth : rad, of its axis from the room's +x towards +y
        elevation : rad, of its axis, up
    """

    position: tuple[float, float, float]
    azimuth: float = 0.0
    elevation: float = 0.0

    @classmethod
    def towards(cls, position: ArrayLike, target: ArrayLike) -> Placement:
        """Aimed at a point. Raises DataError when both are the same."""
        p, t = np.asarray(position, float), np.asarray(target, float)
        ray = t - p
        if ray.shape != (3,) or not np.linalg.norm(ray) > 1e-6:
            raise DataError(message("aim", "a point away from the loudspeaker", t.tolist()))
        position_ = (float(p[0]), float(p[1]), float(p[2]))
        return cls(position_, float(np.arctan2(ray[1], ray[0])), float(np.arctan2(ray[2], np.hypot(ray[0], ray[1]))))

    @property
    def frame(self) -> FloatArray:
        """(3, 3) rows: the loudspeaker's x, y, z in the room's frame; frame @ u turns a room direction into its own."""
        ca, sa, ce, se = np.cos(self.azimuth), np.sin(self.azimuth), np.cos(self.elevation), np.sin(self.elevation)
        rows: FloatArray = np.array([[ca * ce, sa * ce, se], [-sa, ca, 0.0], [-ca * se, -sa * se, ce]])
        return rows

    def origins(self, source: Loudspeaker) -> FloatArray:
        """(W, 3) m, origins of the ways in the room."""
        return np.asarray(np.asarray(self.position) + source.offsets @ self.frame)


def omnidirectional(frequency_hz: ArrayLike) -> Loudspeaker:
    """The same pressure, 1 Pa at 1 m per volt, in every direction."""
    return constant_index(0.0, frequency_hz, "omnidirectional")


def constant_index(index_db: float, frequency_hz: ArrayLike, title: str = "ideal") -> Loudspeaker:
    """An ideal source of one directivity index at all frequencies: ((1 + cos)/2)^n, flat on axis, zero phase.

    Its index is 10 log10(2 n + 1) exactly: n = (10^(DI/10) - 1)/2.
    """
    if not (np.isfinite(index_db) and 0 <= index_db <= 30):
        raise DataError(message("directivity index of an ideal source", "0 to 30 dB", f"{index_db:g} dB"))
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    return _axisymmetric(np.full(len(f), (10 ** (index_db / 10) - 1) / 2), np.ones(len(f)), f, title)


def playback(kind: str, frequency_hz: ArrayLike) -> Loudspeaker:
    """An idealised playback system, evenfield's own: 'small', 'band-limited' or 'bass-heavy'.

    small : second-order high-pass at 150 Hz, DI rising from 0 to 6 dB towards 8 kHz
    band-limited : 300 Hz to 8 kHz, second order each, DI 0 to 4 dB
    bass-heavy : +8 dB shelf below 120 Hz, -3 dB above 6 kHz, DI 0 to 8 dB
    Minimum-phase rational responses.
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    if kind == "small":
        return _axisymmetric(_exponent(_rising(f, 6.0)), _high_pass(f, 150.0), f, kind)
    if kind == "band-limited":
        return _axisymmetric(_exponent(_rising(f, 4.0)), _high_pass(f, 300.0) * _low_pass(f, 8000.0), f, kind)
    if kind == "bass-heavy":
        s, boost, cut = 1j * f, 10**0.4, 10**-0.15
        shelf = (s + 120.0 * boost) / (s + 120.0) * (s * cut + 6000.0) / (s + 6000.0)
        return _axisymmetric(_exponent(_rising(f, 8.0)), shelf, f, kind)
    raise DataError(message("playback system", "'small', 'band-limited' or 'bass-heavy'", repr(kind)))


PLAYBACK_SYSTEMS = ("small", "band-limited", "bass-heavy")


def _rising(f: FloatArray, top_db: float) -> FloatArray:
    return np.asarray(top_db * np.clip(np.log(f / 200.0) / np.log(40.0), 0.0, 1.0))


def _exponent(index_db: FloatArray) -> FloatArray:
    return np.asarray((10 ** (index_db / 10) - 1) / 2)


def _high_pass(f: FloatArray, corner: float) -> ComplexArray:
    s = 1j * f / corner
    return np.asarray(s**2 / (s**2 + np.sqrt(2) * s + 1))


def _low_pass(f: FloatArray, corner: float) -> ComplexArray:
    s = 1j * f / corner
    return np.asarray(1 / (s**2 + np.sqrt(2) * s + 1))


def _axisymmetric(exponent: FloatArray, response: ArrayLike, f: FloatArray, title: str) -> Loudspeaker:
    directions: Directions = sphere_directions(5.0, diagonals=False)
    pattern = np.maximum((1 + directions.vectors[:, :1]) / 2, 0.0) ** exponent[None]
    d = Directivity(pattern.astype(complex), directions, f, provenance={"made_by": f"rooms: {title}"})
    return loudspeaker([(d, np.asarray(response, complex))], names=(title,), title=title)
