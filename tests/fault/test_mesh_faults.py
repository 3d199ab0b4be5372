"""Surfaces that are not a body's skin: what is said, and the triangles saved to a file."""

import re
from pathlib import Path

import numpy as np
import pytest
import trimesh

from evenfield.base import MeshError
from evenfield.data import SurfaceMesh
from evenfield.data.mesh_faults import check_body, crossings
from evenfield.exact.sphere_mesh import capped_sphere
from evenfield.radiation import solve_surface


@pytest.fixture(scope="module")
def ball():
    return capped_sphere(0.1, np.radians(50), 0.04)


def joined(one, two):
    return SurfaceMesh(
        np.concatenate([one.vertices, two.vertices]),
        np.concatenate([one.triangles, two.triangles + len(one.vertices)]),
        np.concatenate([one.part, two.part]),
    )


def moved(mesh, way, size=1.0):
    return SurfaceMesh(size * mesh.vertices + way, mesh.triangles, mesh.part)


def saved(error):
    """The triangles in the file that the error names, m."""
    path = Path(re.search(r"saved in (\S+\.stl)\.", str(error)).group(1))
    found = trimesh.load(path).triangles / 1e3
    path.unlink()
    return found


def fault(mesh, match):
    with pytest.raises(MeshError, match=match) as caught:
        solve_surface(mesh, 500.0)
    triangles = saved(caught.value)
    assert len(triangles) == len(caught.value.triangles)
    wanted = mesh.vertices[mesh.triangles[list(caught.value.triangles)]]
    np.testing.assert_allclose(triangles.mean(axis=1), wanted.mean(axis=1), atol=1e-7)
    return caught.value.triangles


def test_two_bodies_through_each_other(ball):
    both = joined(ball, moved(ball, [0.15, 0.01, 0.02]))
    named = fault(both, "free of crossings")
    # the circle in which two spheres meet, a triangle's width about
    distance = np.abs(both.centroid[list(named), 0] - 0.075)
    assert distance.max() < 0.04
    assert len(named) > 20


def test_one_body_wholly_inside_its_shell_is_not_a_crossing(ball):
    assert len(crossings(joined(ball, moved(ball, [0.01, 0, 0], 0.5)))) == 0
    assert len(crossings(joined(ball, moved(ball, [0.25, 0, 0])))) == 0


def test_a_large_triangle_beside_many_small_ones(ball):
    box = trimesh.creation.box([0.5, 0.5, 0.5])
    small = trimesh.creation.icosphere(3, 0.02)
    small.apply_translation([0.25, 0.03, 0.01])
    mesh = SurfaceMesh(*(np.asarray(v) for v in (box.vertices, box.faces)), np.zeros(len(box.faces), int))
    other = SurfaceMesh(*(np.asarray(v) for v in (small.vertices, small.faces)), np.ones(len(small.faces), int))
    pairs = crossings(joined(mesh, other))
    assert len(pairs) > 10
    # the two triangles of the face that the ball stands through
    assert np.all(np.abs(mesh.centroid[np.unique(pairs[:, 0]), 0] - 0.25) < 1e-9)


def test_a_vertex_pulled_through_the_far_wall(ball):
    vertices = ball.vertices.copy()
    vertices[np.argmin(vertices[:, 0])] = [0.13, 0.004, 0.003]
    fault(SurfaceMesh(vertices, ball.triangles, ball.part), "free of crossings")


def test_open_doubled_and_flat(ball):
    opened = SurfaceMesh(ball.vertices, ball.triangles[3:], ball.part[3:])
    fault(opened, "closed")
    doubled = SurfaceMesh(ball.vertices, np.vstack([ball.triangles, ball.triangles[:1]]), np.append(ball.part, 0))
    assert 0 in fault(doubled, "manifold")
    vertices = ball.vertices.copy()
    a, b, c = ball.triangles[7]
    vertices[a] = (vertices[b] + vertices[c]) / 2
    assert 7 in fault(SurfaceMesh(vertices, ball.triangles, ball.part), "slivers")


def test_a_sound_body_passes(ball):
    check_body(ball)
    assert len(crossings(ball)) == 0
