"""Rules of thumb for a first waveguide: what mouth, depth and angles hold a coverage, and where two ways can meet.

Each rule names its source; none is exact, and the solved field has the last word. SI, rad, Hz; coverage is the full angle between
the -6 dB directions.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from evenfield.base.air import Air
from evenfield.exact.piston import circular_directivity_index
from evenfield.shape.rounding import Edge

Array = NDArray[np.float64]

KEELE = math.radians(1e6) * 0.0254
"""Hz m rad: control frequency times mouth size times coverage (1e6 in inches and degrees)."""
_HALF = 2.2150893  # 2 J1(x)/x = 1/2


def control_frequency(coverage: float, mouth: float) -> float:
    """Hz down to which a mouth of this size, m, holds a coverage in its plane.

    f = 10^6 / (angle in degrees x size in inches): D. B. Keele, What's so sacred about exponential horns?, AES preprint 1038
    (1975); from memory.
    """
    return KEELE / (coverage * mouth)


def mouth_for(coverage: float, frequency_hz: float) -> float:
    """The mouth size, m, that `control_frequency` asks for."""
    return KEELE / (coverage * frequency_hz)


def coverage_index(horizontal: float, vertical: float) -> float:
    """Directivity index, dB, of a source that fills a rectangular pyramid evenly and nothing else.

    Q = 180 deg / asin(sin(H/2) sin(V/2)): C. T. Molloy, Calculation of the directivity index for various types of radiators,
    J. Acoust. Soc. Am. 20 (1948) 387; from memory. With -6 dB angles in place of sharp edges: common practice.
    """
    return 10 * math.log10(math.pi / math.asin(math.sin(min(horizontal, math.pi) / 2) * math.sin(min(vertical, math.pi) / 2)))


def piston_coverage(radius: float, frequency_hz: float, air: Air) -> float:
    """Full -6 dB angle, rad, of a piston in an infinite baffle; pi where it never falls so far."""
    ka = float(air.wavenumber(frequency_hz)) * radius
    return math.pi if ka <= _HALF else 2 * math.asin(_HALF / ka)


def piston_index(radius: float, frequency_hz: Array, width: float, air: Air) -> Array:
    """Directivity index, dB, of a rigid piston on a cabinet of this width.

    In an infinite baffle 10 lg (ka)^2/R1(2ka) (Beranek & Mellow, Acoustics, 2012, chapter 13); on a cabinet 3 dB less where
    the sound goes round it, half of that at 115 Hz m / width (common practice, no source; cf. Olson, J. Audio Eng. Soc. 17
    (1969) 34).
    """
    f = np.atleast_1d(np.asarray(frequency_hz, float))
    around = 10 * math.log10(2) / (1 + (f * width / 115.0) ** 2)
    return np.asarray(circular_directivity_index(air.wavenumber(f) * radius) - around)


def guide_index(index_db: float, width: float, height: float, frequency_hz: Array, cabinet_width: float, air: Air) -> Array:
    """Directivity index, dB, of a waveguide: its coverage's, but no more than a piston as large as its mouth has.

    The two are joined by powers, 1/Q = (1/Q1^2 + 1/Q2^2)^(1/2). Common practice, no source.
    """
    piston = piston_index(math.sqrt(width * height / math.pi), frequency_hz, cabinet_width, air)
    return np.asarray(-5 * np.log10(10 ** (-index_db / 5) + 10 ** (-piston / 5)))


def dome_entry(radius: float, height: float) -> float:
    """Entry angle, rad, of a wall that stands at right angles on the rim of a spherical cap: 2 atan(h/a). Common practice."""
    return 2 * math.atan(max(height, 0.0) / radius)


def mouth_radius(depth: float, half_angle: float, throat: float, entry: float, rounding: float) -> float:
    """Mouth radius, m, of an oblate-spheroidal wall that has reached `half_angle` where its rounding begins; nan if too shallow.

    Wall angle = half the coverage: Geddes, JAES 37 (1989) 554 and Keele 1975 for cones; both from memory.
    """
    edge = Edge(np.array([half_angle]), np.zeros(1), rounding)
    along, outwards = (float(v[0]) for v in edge.reach())
    length = depth - along
    if length <= 0:
        return math.nan
    lead, slope = throat * math.tan(entry), math.tan(half_angle)
    # r r' = lead + x q and r^2 = r0^2 + 2 x lead + x^2 q with r' = slope at x = length: a quadratic in q
    a, b, c = length**2, 2 * length * lead - slope**2 * length**2, lead**2 - slope**2 * (throat**2 + 2 * length * lead)
    q = (-b + math.sqrt(max(b * b - 4 * a * c, 0.0))) / (2 * a)
    return math.sqrt(throat**2 + 2 * length * lead + length**2 * q) + outwards
