"""The error of the surface solver falls with the square of the edge length, as linear elements on flat facets should.

Source: Sauter & Schwab, Boundary Element Methods, 2011, chapters 4 and 8 (far field of a second-kind equation, facets O(h^2)).
"""

import numpy as np

from evenfield.base import Air
from evenfield.exact import sphere
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import solve_surface


def test_order_of_the_far_field():
    alpha, ka = np.radians(60), 2.0
    frequency = ka * Air().speed_of_sound / (2 * np.pi)
    angle = np.radians(np.arange(0, 181, 10))
    directions = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    truth = sphere.cap_far_field(1.0, alpha, frequency, angle)[:, 0]
    errors, sizes = [], []
    for edge in (0.3, 0.15, 0.075):
        mesh = capped_sphere(1.0, alpha, edge)
        scale = 2 * np.pi * (1 - np.cos(alpha)) / mesh.area[mesh.of_part(1)].sum()
        field = solve_surface(mesh, frequency, mirror=("y", "z")).far_field(directions)[0, :, 0] * scale
        errors.append(np.linalg.norm(field - truth) / np.linalg.norm(truth))
        sizes.append(np.sqrt(mesh.area.mean()))
    orders = np.diff(np.log(errors)) / np.diff(np.log(sizes))
    assert np.all(orders > 1.7)
    assert errors[-1] < 1e-3
