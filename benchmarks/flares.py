"""The 3-D solver on 9 mm meshes of bodies with flares, 200 Hz to 3 kHz, against independent references.

Bodies of revolution against `solve_meridian`, another formulation on curved rings; a rounded box with an oblique flare and two
pistons off its centre against another library on curved elements (`flares_reference` says how true that is). To reach, within
20 dB of the maximum: 0.1 dB in front, 0.3 dB everywhere.
"""

from __future__ import annotations

import time

import numpy as np

EDGE, FINE = 0.009, 0.001
"""m: of the triangles; between the points of the meridian, 100 and more to a wavelength."""
FREQUENCIES_HZ = (200.0, 400.0, 800.0, 1250.0, 1600.0, 2000.0, 2500.0, 3000.0)


def directions():
    """(D, 3) round half a great circle that lies on no mirror plane."""
    angle = np.radians(np.arange(0, 181, 3))
    return np.column_stack([np.cos(angle), np.sin(angle) * np.cos(0.3), np.sin(angle) * np.sin(0.3)])


def level_errors(found, truth, towards):
    """Largest level errors, dB, within 20 dB of the maximum: in front, and everywhere; fields (D,)."""
    error = np.abs(20 * np.log10(np.abs(found / truth)))
    kept = np.abs(truth) > np.abs(truth).max() / 10
    return float(error[kept & (towards[:, 0] >= -1e-9)].max()), float(error[kept].max())


def round_body(body):
    """[(Hz, front dB, everywhere dB, stated dB)], seconds, unknowns."""
    from evenfield.radiation import SurfaceProblem, solve_meridian

    towards = directions()
    truth = solve_meridian(body.meridian(FINE), FREQUENCIES_HZ).far_field(towards)[0]
    problem = SurfaceProblem(body.surface(EDGE), mirror=("y", "z"), device="cpu")
    began, rows = time.perf_counter(), []
    for i, f in enumerate(FREQUENCIES_HZ):
        found = problem.solve(f)
        rows.append((f, *level_errors(found.far_field(towards)[0], truth[:, i], towards), found.error_db))
    return rows, time.perf_counter() - began, problem.system.unknowns


def flared_box():
    """{piston: [(Hz, front dB, everywhere dB, stated dB)]}, seconds, unknowns."""
    from benchmarks.flares_reference import DATA
    from evenfield.data import SurfaceMesh
    from evenfield.data.facets import balanced
    from evenfield.radiation import SurfaceProblem

    with np.load(DATA) as stored:
        mesh = SurfaceMesh(stored["vertices"], stored["triangles"], stored["part"])
        problem = SurfaceProblem(balanced(mesh), device="cpu")
        began, rows = time.perf_counter(), {"large": [], "small": []}
        for i, f in enumerate(stored["frequency"]):
            found = problem.solve(f)
            field = found.far_field(stored["directions"])
            for n, name in enumerate(rows):
                errors = level_errors(field[n], stored["field"][n, :, i], stored["directions"])
                rows[name].append((f, *errors, found.part_error_db[n]))
    return rows, time.perf_counter() - began, problem.system.unknowns


def words(rows, unknowns):
    """Worst of a body's rows."""
    front, anywhere = max(rows, key=lambda r: r[1]), max(rows, key=lambda r: r[2])
    return (
        f"{unknowns} unknowns, {front[1]:.3f} dB front ({front[0]:.0f} Hz, to reach 0.1), {anywhere[2]:.3f} dB anywhere "
        f"({anywhere[0]:.0f} Hz, to reach 0.3), stated up to {max(r[3] for r in rows):.3f} dB"
    )


def figures():
    from evenfield.exact.flared_body import FLARED

    for name, body in FLARED.items():
        rows, seconds, unknowns = round_body(body)
        yield f"{name}, {len(rows)} frequencies", seconds, words(rows, unknowns)
    pistons, seconds, unknowns = flared_box()
    for name, rows in pistons.items():
        yield f"box, oblique flare, {name} piston, against ngsolve.bem", seconds, words(rows, unknowns)
