"""Bodies of revolution: 60 frequencies to 20 kHz, one frequency, a gradient."""

from __future__ import annotations

import time

import numpy as np


def sphere(count, radius=0.1, half_angle=np.pi / 6):
    from evenfield.data import Meridian

    cap = 2 * round(count * half_angle / np.pi / 2)
    angle = np.concatenate([np.linspace(np.pi, half_angle, count - cap + 1), np.linspace(half_angle, 0, cap + 1)[1:]])
    points = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    points[[0, -1], 1] = 0
    return Meridian(points, np.repeat([0, 1], [count - cap, cap]))


def best(work, times=5):
    took = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return min(took)


def figures():
    from evenfield.exact.sphere import cap_far_field
    from evenfield.radiation import MeridianProblem, meridian_gradient, solve_meridian

    body, frequencies = sphere(200), np.geomspace(200, 20e3, 60)
    solve_meridian(body, frequencies[-1:])
    found = solve_meridian(body, frequencies)
    angle = np.radians(np.arange(0, 181, 5))
    truth = cap_far_field(0.1, np.radians(30), frequencies, angle)
    kept = np.abs(truth) > np.abs(truth).max(axis=0) / 10
    error = np.abs(20 * np.log10(np.abs(found.far_field(angle)[0] / truth)))[kept].max()
    note = f"0.2 to 20 kHz, {found.statistics.nodes_per_wavelength.min():.1f} nodes per wavelength, error {error:.5f} dB"
    yield "meridian of 200 nodes, 60 frequencies", best(lambda: solve_meridian(body, frequencies), 3), note
    problem = MeridianProblem(body)
    for f in (1000.0, 20000.0):
        yield f"meridian of 200 nodes, {f:.0f} Hz", best(lambda f=f: problem.solve(f)), ""
    kept_solution = problem.solve(20000.0, keep=True)
    weight = np.ones((1, len(angle)))
    gradient = best(lambda: meridian_gradient(kept_solution, angle, weight))
    yield "gradient by 200 points, 20 kHz, matrix kept", gradient, f"{gradient / best(lambda: problem.solve(20000.0)):.1f} solves"
