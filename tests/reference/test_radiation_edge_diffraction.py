"""A small source on a box with sharp edges against waves diffracted once at the edges of its front face.

Line sources along each edge with the directivity of an exact wedge: Svensson, Fred & Vanderkooy, JASA 106 (1999) 2331, eqs. 5-7
(recalled; the wedge is that of Biot & Tolstoy, JASA 29 (1957) 381), written here for a source on the face and a distant
listener in front. Waves diffracted twice and more are left out, so it holds where the face is wide in wavelengths and the
listener is near the axis.
"""

import numpy as np
import pytest

from evenfield.radiation import SurfaceProblem
from evenfield.shape import Cabinet, Throat, build_surface, edge_lengths_for

WIDTH, HEIGHT, DEPTH = 0.24, 0.30, 0.30
PLACE = (0.0, 0.04)
RADIUS = 0.008
SPEED = 343.2
WEDGE = 1.5 * np.pi


def diffracted(frequency_hz, direction, source=PLACE):
    """Far field over that of the same source in an infinite baffle; direction (3,) in front of the face."""
    k, index = 2 * np.pi * frequency_hz / SPEED, np.pi / WEDGE
    total = np.exp(1j * k * (direction[1] * source[0] + direction[2] * source[1])) * 2
    for axis, other, half, length in ((2, 1, WIDTH / 2, HEIGHT), (1, 2, HEIGHT / 2, WIDTH)):
        for side in (1, -1):
            step = length / 4000
            z = (np.arange(4000) + 0.5) * step - length / 2
            apart, along = half - side * source[other - 1], z - source[axis - 1]
            path = np.hypot(apart, along)
            # from the face towards the listener, round the edge
            inwards = -side * direction[other]
            angle = np.arctan2(direction[0], inwards)
            across = np.hypot(direction[0], inwards)
            bend = index * np.arccosh(np.maximum((path - along * direction[axis]) / (apart * across), 1.0))
            directivity = sum(
                2 * np.sin(index * (np.pi + s * angle)) / (np.cosh(bend) - np.cos(index * (np.pi + s * angle))) for s in (1, -1)
            )
            wave = np.exp(-1j * k * (path - z * direction[axis] - side * half * direction[other])) / path
            total = total - index / (4 * np.pi) * np.sum(directivity * wave) * step
    return total / 2


@pytest.fixture(scope="module")
def problem():
    box = Cabinet(WIDTH, HEIGHT, DEPTH, 0.0, (Throat("source", RADIUS, "plane", y=PLACE[0], z=PLACE[1]),))
    mesh = build_surface(box, edge_lengths_for(box, 4000.0, SPEED, per_wavelength=5.0))
    return SurfaceProblem(mesh, motion="axial", mirror="y")


@pytest.mark.parametrize("frequency_hz", [1500.0, 2500.0, 4000.0])
def test_small_source_on_a_box(problem, frequency_hz):
    angle = np.radians([-40.0, -20.0, 0.0, 20.0, 40.0])
    zero = 0 * angle
    directions = np.concatenate(
        [np.stack([np.cos(angle), np.sin(angle), zero], 1), np.stack([np.cos(angle), zero, np.sin(angle)], 1)]
    )
    air = problem.air
    area = np.pi * RADIUS**2
    baffled = 2j * np.pi * frequency_hz * air.density * area / (2 * np.pi)
    ours = problem.solve(frequency_hz).far_field(directions)[0] / baffled
    model = np.array([diffracted(frequency_hz, d) for d in directions])
    error = 20 * np.log10(np.abs(ours / model))
    assert np.abs(error).max() < 0.5
    assert np.abs(error[np.tile(np.abs(angle) < 0.4, 2)]).max() < 0.2
