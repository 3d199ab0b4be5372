"""Volume that flat facets lack on curved surfaces, against spheres and cylinders, and meshes balanced about them."""

import numpy as np
import pytest

from evenfield.data import SurfaceMesh
from evenfield.data.facets import balanced, lacking_volume
from evenfield.exact.flared_body import FLARED, PISTON
from evenfield.exact.revolved_mesh import revolved_surface
from evenfield.exact.sphere_mesh import capped_sphere


@pytest.fixture
def ball():
    """Corners on a sphere."""
    mesh = capped_sphere(1.0, np.radians(40), 0.15)
    still = SurfaceMesh(mesh.vertices / np.linalg.norm(mesh.vertices, axis=1)[:, None], mesh.triangles, 0 * mesh.part, ("y", "z"))
    return still


def test_a_sphere_lacks_what_it_lacks(ball):
    lacking = 4 * np.pi / 3 - ball.volume
    assert lacking_volume(ball).sum() == pytest.approx(lacking, rel=0.06)
    even = balanced(ball)
    assert abs(4 * np.pi / 3 - even.volume) < 0.12 * lacking
    assert even.balanced
    assert balanced(even) is even
    even.check_mirror(("y", "z"), 1e-9)


def cylinder(edge=0.03):
    """Radius 0.1, length 0.4, sharp edges; corners on its circles."""
    return revolved_surface([(0.2, 0), (0.2, 0.1), (-0.2, 0.1), (-0.2, 0)], edge, [0, 0, 0], on_circles=True)


def test_a_sharp_cylinder_bends_only_round_its_side():
    mesh = cylinder()
    exact = np.pi * 0.1**2 * 0.4
    lacking = lacking_volume(mesh)
    flat = np.abs(mesh.normal[:, 0]) > 0.99
    assert np.all(lacking[flat] == 0)
    assert lacking.sum() == pytest.approx(exact - mesh.volume, rel=0.1)
    even = balanced(mesh)
    assert abs(exact - even.volume) < 0.15 * (exact - mesh.volume)


def test_a_crease_is_no_curve():
    # a double cone whose halves meet at 45 degrees: under the sharpest turn that counts, but far above those around
    mesh = revolved_surface(
        [(0.1 * np.tan(np.pi / 8), 0), (0, 0.1), (-0.1 * np.tan(np.pi / 8), 0)], 0.01, [0, 0], on_circles=True
    )
    across = lacking_volume(mesh).sum()
    exact = np.pi * 0.1**2 * 0.2 * np.tan(np.pi / 8) / 3
    # round the axis the cones lack something, at the crease nothing
    assert across == pytest.approx(exact - mesh.volume, rel=0.35)


def test_hollows_lack_the_other_way():
    body = FLARED["deep flare, small piston"]
    mesh = body.surface(0.012, on_circles=True)
    guide = (mesh.centroid[:, 0] < -0.02) & (mesh.centroid[:, 0] > -0.058) & (np.hypot(*mesh.centroid[:, 1:].T) < 0.05)
    assert lacking_volume(mesh)[guide].sum() < 0


def test_what_moves_stays():
    mesh = FLARED["cone, large piston"].surface(0.012)
    moving = np.unique(mesh.triangles[mesh.part == PISTON])
    even = balanced(mesh)
    assert np.array_equal(even.vertices[moving], mesh.vertices[moving])
    assert np.abs(even.vertices - mesh.vertices).max() > 1e-4
