"""The gradient by a meridian's points against automatic differentiation of an assembly written apart.

The oracle integrates the three-dimensional kernels over the azimuth and over the elements by rules of its own and lets JAX
differentiate assembly, solution and far field together; nothing but the nodes of the elements is shared with the package.
Equations: Burton & Miller, Proc. R. Soc. A 323 (1971) 201; the hypersingular term by parts, Maue, Z. Physik 126 (1949) 601.
"""

import numpy as np
import pytest

from evenfield.data import Meridian
from evenfield.radiation import MeridianProblem, meridian_gradient

jax = pytest.importorskip("jax", reason="the oracle needs JAX, of the test extra")
jax.config.update("jax_enable_x64", True)
jnp = jax.numpy

DIRECTIONS = np.array([[1.0, 0, 0], [0.6, 0.8, 0], [0.1, 0, np.sqrt(0.99)], [-0.7, np.sqrt(0.51), 0]])
AIR = MeridianProblem(Meridian(np.array([[-1.0, 0], [0, 1], [1, 0]]), np.array([0, 1]))).air


def egg(count):
    angle = np.linspace(np.pi, 0, count + 1)
    points = np.column_stack([0.11 * np.cos(angle), 0.13 * np.sin(angle)])
    points[[0, -1], 1] = 0
    return Meridian(points, np.repeat([0, 1], [count - count // 4, count // 4]))


def gauss(count):
    node, weight = np.polynomial.legendre.leggauss(count)
    return (node + 1) / 2, weight / 2


def source_rule(t, distance):
    """Points and weights on an element for a point at t of one `distance` elements further on."""
    node, weight = gauss(12)
    middle = t if distance == 0 else {1: 0.0, -1: 1.0}.get(distance, 0.5)
    below = (middle * (1 - node**3), middle * 3 * node**2 * weight)
    above = (middle + (1 - middle) * node**3, (1 - middle) * 3 * node**2 * weight)
    return np.concatenate([below[0], above[0]]), np.concatenate([below[1], above[1]])


def lagrange(degree, t):
    """Values and slopes of the pressure's functions."""
    if degree == 1:
        return np.stack([1 - t, t]), np.stack([-np.ones_like(t), np.ones_like(t)])
    values = np.stack([(1 - t) * (1 - 2 * t), 4 * t * (1 - t), t * (2 * t - 1)])
    return values, np.stack([4 * t - 3, 4 - 8 * t, 4 * t - 1])


def on_curve(nodes, element, t):
    """Places and tangents (..., 2) at t of the elements."""
    value, slope = lagrange(2, t)
    corner = nodes[2 * element[..., None] + np.arange(3)]
    return jnp.einsum("n...,...nc->...c", value, corner), jnp.einsum("n...,...nc->...c", slope, corner)


def oracle(problem, moving, k, coupling):
    """(far field (D,), radiation impedance) of one part as a function of the points."""
    body = problem.body
    count, degree, unknowns = body.count, body.degree, body.unknowns
    q_node, q_weight = gauss(problem.solver.element_points)
    u_node, u_weight = gauss(40)
    e, a, f = (v.ravel() for v in np.meshgrid(range(count), range(len(q_node)), range(count), indexing="ij"))
    rule = [source_rule(q_node[i], n - m) for m, i, n in zip(e, a, f, strict=True)]
    t = np.array([r[0] for r in rule])
    weight = np.array([r[1] for r in rule]) * q_weight[a][:, None]
    test, test_slope = lagrange(degree, q_node[a])
    trial, trial_slope = lagrange(degree, t)
    row = degree * e[:, None] + np.arange(degree + 1)
    column = degree * f[:, None] + np.arange(degree + 1)
    matrix = np.asarray(body.matrix.todense())
    driven = np.asarray(moving)[f][:, None]
    alpha = -1j * coupling

    def kernels(points):
        nodes = matrix @ points
        x, along_x = on_curve(nodes, e, q_node[a])
        y, along_y = on_curve(nodes, np.broadcast_to(f[:, None], t.shape), t)
        x, along_x = x[:, None, None], along_x[:, None, None]
        y, along_y = y[:, :, None], along_y[:, :, None]
        near = jnp.sum((x - y) ** 2, -1)
        eps = jax.lax.stop_gradient(jnp.sqrt(near) / (2 * jnp.sqrt(x[..., 1] * y[..., 1])))
        reach = jnp.arcsinh(np.pi / (2 * eps))
        d, w = 2 * eps * jnp.sinh(reach * u_node), 2 * u_weight * reach * 2 * eps * jnp.cosh(reach * u_node)
        # from the source to the point, and both normals times their line elements, at azimuth 0 and d
        cosine, sine = jnp.cos(d), jnp.sin(d)
        away = jnp.stack(jnp.broadcast_arrays(x[..., 0] - y[..., 0], x[..., 1] - y[..., 1] * cosine, -y[..., 1] * sine), -1)
        n_x = jnp.stack(jnp.broadcast_arrays(-along_x[..., 1], along_x[..., 0], 0.0), -1)
        n_y = jnp.stack(jnp.broadcast_arrays(-along_y[..., 1], along_y[..., 0] * cosine, along_y[..., 0] * sine), -1)
        distance = jnp.sqrt(jnp.sum(away**2, -1))
        green = jnp.exp(-1j * k * distance) / (4 * np.pi * distance)
        by_distance = -(1j * k + 1 / distance) * green / distance
        ring = w * x[..., 1] * y[..., 1]
        double = jnp.sum(ring * by_distance * -jnp.sum(away * n_y, -1), -1)
        adjoint = jnp.sum(ring * by_distance * jnp.sum(away * n_x, -1), -1)
        single = jnp.sum(ring * green, -1)
        curls = jnp.sum(ring * green * cosine, -1)
        normals = jnp.sum(ring * green * jnp.sum(n_x * n_y, -1), -1)
        j_x, j_y = jnp.linalg.norm(along_x, axis=-1)[..., 0], jnp.linalg.norm(along_y, axis=-1)[..., 0]
        return single * j_x * j_y, double * j_x, adjoint * j_y, curls, normals

    def value(points):
        single, double, adjoint, curls, normals = kernels(points)
        nodes = matrix @ points
        like = -double - alpha * k**2 * normals
        block = jnp.einsum("ip,pq,jpq->pij", test, weight * like, trial)
        block += jnp.einsum("ip,pq,jpq->pij", test_slope, weight * alpha * curls, trial_slope)
        system = jnp.zeros((unknowns, unknowns), complex).at[row[:, :, None], column[:, None, :]].add(block)
        push = jnp.sum(weight * driven * (-single - alpha * adjoint), 1)
        right = jnp.zeros(unknowns, complex).at[row].add(test.T * push[:, None])
        own = np.repeat(np.arange(count), len(q_node)).reshape(count, -1)
        s = np.broadcast_to(q_node, own.shape)
        at, along = on_curve(nodes, own, s)
        area = q_weight * at[..., 1] * jnp.linalg.norm(along, axis=-1)
        shape, _ = lagrange(degree, s)
        dof = degree * np.arange(count)[:, None] + np.arange(degree + 1)
        mass = jnp.einsum("eq,ieq,jeq->eij", area, shape, shape)
        system = system.at[dof[:, :, None], dof[:, None, :]].add(mass / 2)
        moved = area * np.asarray(moving)[:, None]
        right = right.at[dof].add(-alpha / 2 * jnp.einsum("eq,ieq->ei", moved, shape))
        derivative = -1j * k * AIR.speed_of_sound * AIR.density
        pressure = jnp.linalg.solve(system, derivative * right)
        here = jnp.einsum("ieq,ei->eq", shape, pressure[dof])
        force = 2 * np.pi * jnp.sum(moved * here)
        # far field, the azimuth by equal steps
        phi = 2 * np.pi * np.arange(48) / 48
        place = jnp.stack([at[..., None, 0] + 0 * phi, at[..., None, 1] * np.cos(phi), at[..., None, 1] * np.sin(phi)], -1)
        normal = (
            jnp.stack([-along[..., None, 1] + 0 * phi, along[..., None, 0] * np.cos(phi), along[..., None, 0] * np.sin(phi)], -1)
            / jnp.linalg.norm(along, axis=-1)[..., None, None]
        )
        wave = jnp.exp(1j * k * place @ DIRECTIONS.T)
        sound = 1j * k * (normal @ DIRECTIONS.T) * here[..., None, None] - derivative * (
            np.asarray(moving)[:, None, None, None] + 0 * phi[:, None]
        )
        far = jnp.sum(wave * sound * area[..., None, None], (0, 1, 2)) / 48 / 2
        return far, force

    return value


@pytest.mark.parametrize(("elements", "count"), [("quadratic", 12), ("linear", 12)])
def test_automatic_differentiation(elements, count):
    problem = MeridianProblem(egg(count), accuracy="reference", elements=elements)
    found = problem.solve(1900.0)
    k = found.wavenumber
    coupling = problem.system.coupling(k)
    assert coupling > 0
    moving = (problem.body.segment_part[problem.body.first] == 1).astype(float)
    value = oracle(problem, moving, k, coupling)
    weight, force = np.array([0.3 - 0.2j, 0.7j, -0.4, 0.5 + 0.1j]), 20.0 - 30.0j

    def target(points):
        far, z = value(points)
        return 0.5 * jnp.sum(jnp.abs(far) ** 2) + jnp.sum(weight.conj() * far).real + (np.conj(force) * z).real

    far, z = jax.jit(value)(problem.meridian.points)
    np.testing.assert_allclose(found.far_field(DIRECTIONS)[0], far, rtol=1e-6)
    np.testing.assert_allclose(found.radiation_impedance[0, 0], z, rtol=1e-6)
    wanted = np.array(jax.jit(jax.grad(target))(problem.meridian.points))
    wanted[[0, -1], 1] = 0
    gradient = meridian_gradient(found, DIRECTIONS, found.far_field(DIRECTIONS) + weight, np.array([[force]]))
    worst = np.abs(gradient - wanted).max() / np.abs(wanted).max()
    assert worst < 1e-6
