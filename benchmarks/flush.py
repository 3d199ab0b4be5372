"""Fronts flush in a baffle: a horn and a monitor's front, one frequency, and its gradient by all vertices.

Ratios are of processor seconds, so that a busy machine changes them little: to a solve with its matrix kept, and to all that a
search pays for a new mesh (closed forms of near pairs, one solve).
"""

from __future__ import annotations

import time
from pathlib import Path

ROOT = Path(__file__).parents[1]


def horn():
    """(mesh, mirror, air, Hz) of a horn of 160 mm, five elements per wavelength at 20 kHz."""
    from evenfield.base import Air
    from evenfield.exact.revolved_mesh import revolved_surface

    edge = Air().speed_of_sound / 20e3 / 5
    return revolved_surface([(-0.1, 0.0), (-0.1, 0.0125), (-0.05, 0.025), (0.0, 0.08)], edge, [1, 0, 0]), "y", Air(), 20e3


def front():
    """The same of the mid-field example's front at 4 kHz, its rear vent left out."""
    import evenfield as ef
    from evenfield.loudspeaker.bands import Body, band_lengths
    from evenfield.loudspeaker.geometry import cabinet_of
    from evenfield.loudspeaker.mounting import mesh_lengths
    from evenfield.shape import build_surface

    design = ef.load_design(ROOT / "examples" / "ketch.yaml").model_copy(update={"mounting": "flush", "vent": None})
    body = Body(cabinet_of(design, ROOT / "examples"), design.air.to_air(), {}, True)
    mesh = build_surface(body.cabinet, mesh_lengths(body, band_lengths(body, 4000.0)))
    return mesh, mesh.mirror, body.air, 4000.0


def processor(work):
    """(seconds, processor seconds, result)."""
    began, spent = time.perf_counter(), time.process_time()
    found = work()
    return time.perf_counter() - began, time.process_time() - spent, found


def figures():
    from evenfield.data import sphere_directions
    from evenfield.radiation import FlushProblem

    u = sphere_directions().vectors
    for name, make in (("horn", horn), ("monitor's front", front)):
        mesh, mirror, air, f = make()

        def problem(mesh=mesh, mirror=mirror, air=air):
            return FlushProblem(mesh, "axial", mirror=mirror, air=air, device="cpu")

        warm = problem().solve(f)
        warm.gradient(u, warm.far_field(u), warm.radiation_impedance)
        ready, first, p = processor(problem)
        yield f"{name}, {p.system.unknowns} unknowns: near pairs set up", ready, ""
        once, solve, found = processor(lambda p=p, f=f: p.solve(f))
        yield f"{name}: one frequency", once, f"{f / 1e3:.0f} kHz, {found.iterations.max()} iterations"
        bars = found.far_field(u), found.radiation_impedance
        back, gradient, _ = processor(lambda s=found, b=bars: s.gradient(u, *b))
        note = f"{gradient / solve:.1f} solves, {gradient / (first + solve):.2f} of set-up and solve (to reach: 2 forward)"
        yield f"{name}: gradient by {len(mesh.vertices)} vertices", back, note
