"""The field engine on CUDA cards: one frequency, a monitor's sweep, gradients, cost over size and cards, the largest body."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
MEMORIES_GB = (24, 80)


def figures():
    from evenfield.radiation import choose_devices

    cards = choose_devices("auto")
    if not cards:
        yield "the field engine on a GPU", float("nan"), "no GPU here"
        return
    yield "GPUs", float(len(cards)), ", ".join(c.name for c in cards)
    cabinet, air, axis = monitor()
    yield from one_frequency(cabinet, air)
    yield from sweep(cabinet, air, axis)
    yield from sizes(cards)
    yield from sharing(cards)


def monitor():
    """The mid-field example: its body, air, and 60 of the frequencies that a prediction solves, evenly taken, up to 20 kHz."""
    import evenfield as ef
    from evenfield.loudspeaker.frequencies import output_axis, start_axis
    from evenfield.loudspeaker.geometry import cabinet_of

    design = ef.load_design(ROOT / "examples" / "ketch.yaml")
    cabinet, air = cabinet_of(design, None), design.air.to_air()
    axis = start_axis(output_axis(), density=1.2)
    chosen = np.unique(np.round(np.linspace(0, len(axis) - 1, 60)).astype(int))
    return cabinet, air, axis[chosen]


def problem_of(cabinet, air, top, device):
    from evenfield.loudspeaker.bands import AWAY_FACTOR, PER_WAVELENGTH, focus_at
    from evenfield.radiation import SurfaceProblem
    from evenfield.shape import build_surface, edge_lengths_for

    focus = focus_at(cabinet, top, air)
    given = {"per_wavelength": PER_WAVELENGTH, "focus": focus, "away_factor": AWAY_FACTOR}
    mesh = build_surface(cabinet, edge_lengths_for(cabinet, top, air.speed_of_sound, **given))
    return SurfaceProblem(mesh, motion="axial", mirror=mesh.mirror, air=air, device=device)


def timed(work, times=3):
    took, found = [], None
    for _ in range(times):
        began = time.perf_counter()
        found = work()
        took.append(time.perf_counter() - began)
    return min(took), found


def one_frequency(cabinet, air):
    """The top band: a solve with its far field, and a gradient, on the card and on the CPU."""
    from evenfield.data.directions import sphere_directions

    directions = sphere_directions().vectors
    seconds, gradients, fields = {}, {}, {}
    for device in ("gpu", "cpu"):
        problem = problem_of(cabinet, air, 20000.0, device)
        frequencies = iter(np.linspace(15000, 16000, 6))

        def solve(problem=problem, frequencies=frequencies):
            solution = problem.solve(float(next(frequencies)))
            return solution, solution.far_field(directions)

        solve()
        seconds[device], (solution, field) = timed(solve, 4 if device == "gpu" else 1)
        fields[device] = problem.solve(16000.0).far_field(directions)
        bar = 2 * field
        if device == "gpu":
            solution.gradient(directions, bar)
        gradients[device], _ = timed(lambda s=solution, b=bar: s.gradient(directions, b), 1)
        unknowns = problem.system.unknowns
        problem.release()
    front = directions[:, 0] >= 0
    worst = 0.0
    for gpu, cpu in zip(fields["gpu"], fields["cpu"], strict=True):
        kept = front & (np.abs(cpu) > np.abs(cpu).max() / 10)
        if np.any(kept):
            worst = max(worst, float(np.abs(20 * np.log10(np.abs(gpu[kept] / cpu[kept]))).max()))
    note = f"{unknowns} unknowns, three sources, 2522 directions; CPU {seconds['cpu']:.2f} s on {os.cpu_count()} cores"
    yield "monitor, one frequency near 16 kHz, GPU", seconds["gpu"], f"{note}; levels differ by {worst:.1e} dB"
    note = f"{gradients['gpu'] / seconds['gpu']:.1f} solves (to reach: 2); CPU {gradients['cpu']:.2f} s"
    yield "monitor, gradient by all vertices, GPU", gradients["gpu"], note


def sweep(cabinet, air, axis):
    """60 frequencies: the solves alone, on meshes made before, and the whole from an empty store."""
    from evenfield.data.directions import sphere_directions
    from evenfield.loudspeaker.bands import Meshes, band_top
    from evenfield.loudspeaker.mesh_workers import MeshWorkers
    from evenfield.loudspeaker.sweep import sweep_radiation

    directions = sphere_directions().vectors
    meshes, workers = Meshes(_body(cabinet, air), "gpu"), MeshWorkers(0)
    began = time.perf_counter()
    tops = np.array([band_top(float(f), float(axis[-1])) for f in axis])
    made = [(meshes.band(float(top), workers).problem, np.flatnonzero(tops == top)) for top in np.unique(tops)[::-1]]
    preparing = time.perf_counter() - began

    def solve_all():
        for problem, group in made:
            for i in group:
                problem.solve(float(axis[i])).far_field(directions)

    solve_all()
    seconds, _ = timed(solve_all, 2)
    sizes = [p.system.unknowns for p, _ in made]
    note = f"{min(sizes)} to {max(sizes)} unknowns; to reach: 4 s on one H100; meshes and lists {preparing:.1f} s before"
    yield f"monitor, {len(axis)} frequencies to 20 kHz, solves alone", seconds, note
    for p, _ in made:
        p.release()
    seconds, _ = timed(lambda: sweep_radiation(cabinet, axis, air, device="gpu", bound_db=np.inf), 1)
    yield f"monitor, {len(axis)} frequencies to 20 kHz, meshes too", seconds, f"{os.cpu_count()} cores"


def _body(cabinet, air):
    from evenfield.loudspeaker.bands import Body

    return Body(cabinet, air, {})


def sizes(cards):
    """Cost over unknowns, with its exponent, and what fits into memory."""
    from evenfield.exact.sphere_mesh import capped_sphere
    from evenfield.radiation import SurfaceProblem

    counts, took, used = [], [], []
    for edge in (0.05, 0.036, 0.027, 0.0195):
        mesh = capped_sphere(1.0, np.radians(30), edge)
        problem = SurfaceProblem(mesh, mirror=(), device="gpu")
        if not problem.devices:
            break
        frequency = 343.0 / (7 * edge)
        problem.solve(frequency)
        seconds, solution = timed(lambda p=problem, f=frequency: p.solve(0.999 * f), 1)
        counts.append(problem.system.unknowns)
        took.append(seconds)
        used.append(problem.devices.members[0].bytes_needed)
        yield f"sphere of {counts[-1]} unknowns, one frequency", seconds, f"{solution.iterations.max()} iterations"
        problem.release()
    if len(counts) > 2:
        exponent = np.polyfit(np.log(counts[-3:]), np.log(took[-3:]), 1)[0]
        per = np.polyfit(np.asarray(counts, float) ** 2, np.asarray(used, float), 1)[0]
        largest = ", ".join(f"{np.sqrt(0.9 * m * 1e9 / per) / 1e3:.0f} thousand in {m} GB" for m in MEMORIES_GB)
        yield "exponent of the time over unknowns", float(exponent), f"unknowns that fit: {largest}"


def sharing(cards):
    """The same frequencies on one card and on all."""
    if len(cards) < 2:
        return
    from evenfield.exact.sphere_mesh import capped_sphere
    from evenfield.radiation import SurfaceProblem
    from evenfield.radiation.workers import in_order

    mesh, frequencies = capped_sphere(1.0, np.radians(30), 0.03), np.linspace(1000, 1500, 24)
    took = []
    for some in (cards[:1], cards):
        problem = SurfaceProblem(mesh, mirror=(), device=some)

        def solve_all(problem=problem, some=some):
            for _ in in_order(lambda f: problem.solve(float(f)), frequencies, len(some) + 1):
                pass

        solve_all()
        took.append(timed(solve_all, 2)[0])
    note = f"{took[0] / took[1]:.2f} times as fast as on one, {problem.system.unknowns} unknowns"
    yield f"24 frequencies on {len(cards)} GPUs", took[1], note
