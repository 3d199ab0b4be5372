"""The full 3-D engine on the mid-field example: a sweep to 20 kHz with its error, one frequency by size, caps at ka 40.

The sweep's error is that of the field between the solved frequencies, against finer solves at frequencies never used, which
`python -m benchmarks.engine_reference` made (16 cores, two minutes). `python -m benchmarks.engine FILE` writes cost over size as
JSON, from which `python docs/make_engine_plot.py FILE` draws the plot.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
REFERENCE = ROOT / "benchmarks" / "data" / "ketch-reference.npz"
SIZES_HZ = (3000.0, 5500.0, 9000.0, 13000.0, 19668.0)


def ketch():
    """(Cabinet, Air) of the mid-field example."""
    from evenfield.loudspeaker.geometry import cabinet_of
    from evenfield.loudspeaker.load import read_design

    design, _ = read_design(ROOT / "examples" / "ketch.yaml")
    return cabinet_of(design, ROOT / "examples"), design.air.to_air()


def problem_at(frequency_hz):
    """The sweep's problem for one frequency."""
    from evenfield.data.facets import balanced
    from evenfield.loudspeaker.bands import Body, band_lengths
    from evenfield.radiation import SurfaceProblem
    from evenfield.shape import build_surface

    cabinet, air = ketch()
    mesh = build_surface(cabinet, band_lengths(Body(cabinet, air, {}), frequency_hz))
    return SurfaceProblem(balanced(mesh), motion="axial", mirror=mesh.mirror, air=air, device="cpu")


def warm():
    """Compile, or read the compiled code, so that no figure holds it."""
    from evenfield.data.directions import sphere_directions

    problem_at(3000.0).solve(3000.0).far_field(sphere_directions())


def sweep_child():
    """Print the sweep's figures as JSON; a process of its own, for its peak memory."""
    from benchmarks.calibration import memory_mb
    from evenfield.loudspeaker.frequencies import output_axis, start_axis
    from evenfield.loudspeaker.predict import Radiated
    from evenfield.loudspeaker.sweep import sweep_radiation

    warm()
    cabinet, air = ketch()
    before, began, work = memory_mb(), time.perf_counter(), time.process_time()
    sweep = sweep_radiation(cabinet, start_axis(output_axis()), air, device="cpu")
    found = {
        "seconds": time.perf_counter() - began,
        "processor_seconds": time.process_time() - work,
        "memory_mb": memory_mb(),
        "before_mb": before,
    }
    found |= {"frequencies": len(sweep.frequency), "unknowns": max(sweep.statistics["unknowns"])}
    found["stated_db"] = float(np.sqrt(np.mean(sweep.error_db**2)))
    with np.load(REFERENCE) as reference:
        radiated = Radiated.on(reference["frequency"], sweep, cabinet, air)
        found["interpolation_db"] = radiated.error_db
        found["nearest_used"] = float(np.abs(np.log2(reference["frequency"][:, None] / sweep.frequency)).min())
        for name in ("woofer", "tweeter"):
            rows = []
            for i, f in enumerate(reference["frequency"]):
                if np.abs(np.log2(f / sweep.frequency)).min() < 0.01:
                    continue
                truth = np.abs(reference[name][:, i])
                field = np.abs(radiated.field[sweep.parts.index(name)][reference["directions"], i])
                kept = truth > truth.max() / 10
                error = np.abs(20 * np.log10(field / truth))[kept]
                rows.append((float(f), float(np.sqrt(np.mean(error**2))), float(error.max())))
            found[name] = rows
    print(json.dumps(found))


def cost_by_size():
    """[(Hz, unknowns, seconds, bytes, seconds of processor)] of one frequency."""
    from evenfield.data.directions import sphere_directions

    rows = []
    for f in SIZES_HZ:
        problem = problem_at(f)
        problem.solve(f)
        began, work = time.perf_counter(), time.process_time()
        problem.solve(f).far_field(sphere_directions())
        seconds, work = time.perf_counter() - began, time.process_time() - work
        rows.append((f, problem.system.unknowns, seconds, problem.system.bytes_needed, work))
    return rows


def exponents(rows):
    """Slope of log processor seconds over log unknowns, the three largest; bytes over unknowns beside the matrix's 8 V^2; the
    most unknowns that 24 GB hold."""
    n, work, size = (np.array([r[i] for r in rows[-3:]], float) for i in (1, 4, 3))
    slope = float(np.polyfit(np.log(n), np.log(work), 1)[0])
    beside = float(size[-1] / n[-1] - 8 * n[-1])
    return slope, beside, int((np.sqrt(beside**2 + 32 * 24e9) - beside) / 16)


def gradient_by_size():
    """[(Hz, unknowns, seconds of processor for matrix and solve, of the gradient by all vertices)], the least of three each."""
    from evenfield.data.directions import sphere_directions

    rows, u = [], sphere_directions()
    for f in SIZES_HZ[1:3]:
        problem = problem_at(f)
        found = problem.solve(f)
        bar, load = found.far_field(u), found.radiation_impedance
        found.gradient(u, bar, load)
        solves, gradients = [], []
        for _ in range(3):
            problem.release()
            began = time.process_time()
            found = problem.solve(f)
            solved = time.process_time()
            found.gradient(u, bar, load)
            solves.append(solved - began)
            gradients.append(time.process_time() - solved)
        rows.append((f, problem.system.unknowns, min(solves), min(gradients)))
    return rows


def cap_at_ka_40():
    """Seconds, unknowns, worst error in dB of a 30 degree cap on a sphere, six elements per wavelength."""
    from evenfield.base import Air
    from evenfield.exact.sphere import cap_far_field
    from evenfield.exact.sphere_mesh import capped_sphere
    from evenfield.radiation import SurfaceProblem

    ka, alpha, angle = 40.0, np.radians(30), np.radians(np.arange(0, 181, 3))
    frequency = ka * Air().speed_of_sound / (2 * np.pi)
    mesh = capped_sphere(1.0, alpha, 2 * np.pi / ka / 6)
    problem = SurfaceProblem(mesh, mirror=("y", "z"), device="cpu")
    began = time.perf_counter()
    found = problem.solve(frequency)
    seconds = time.perf_counter() - began
    directions = np.stack([np.cos(angle), np.sin(angle) * np.cos(0.3), np.sin(angle) * np.sin(0.3)], axis=1)
    field = np.abs(found.far_field(directions)[0]) * 2 * np.pi * (1 - np.cos(alpha)) / mesh.area[mesh.of_part(1)].sum()
    truth = np.abs(cap_far_field(1.0, alpha, frequency, angle)[:, 0])
    kept = truth > truth.max() / 10
    return seconds, problem.system.unknowns, float(np.abs(20 * np.log10(field / truth))[kept].max())


def figures():
    command = [sys.executable, "-c", "from benchmarks.engine import sweep_child; sweep_child()"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    found = json.loads(done.stdout.splitlines()[-1])
    size = f"{found['frequencies']} frequencies, to {found['unknowns']} unknowns, {found['memory_mb'] / 1e3:.2f} GB"
    note = f"{size} (to reach: 60 s, 6 GB); {found['processor_seconds']:.0f} s of processor"
    yield "Ketch to 20 kHz, full 3-D, three parts", found["seconds"], note
    for name, highest in (("woofer", 4900.0), ("tweeter", 20e3)):
        rows = [r for r in found[name] if r[0] <= highest]
        rms, worst = np.sqrt(np.mean([r[1] ** 2 for r in rows])), max(rows, key=lambda r: r[2])
        where = f"front, within 20 dB, at {len(rows)} frequencies never used"
        note = f"{rms:.3f} dB RMS, {worst[2]:.2f} at most ({worst[0]:.0f} Hz), {where}"
        yield f"Ketch, {name} against finer solves", 0.0, note
    yield "Ketch, stated", 0.0, f"solves {found['stated_db']:.2f} dB, interpolation {found['interpolation_db']:.2f} dB"
    warm()
    rows = cost_by_size()
    for f, n, seconds, size, work in rows:
        yield f"one frequency, {f:.0f} Hz, {n} unknowns", seconds, f"{size / 1e6:.0f} MB, {work:.2f} s of processor"
    slope, beside, most = exponents(rows)
    note = f"seconds rise with unknowns to the {slope:.2f}; bytes are 8 V^2 + {beside:.0f} V; 24 GB hold {most} unknowns"
    yield "cost over size", 0.0, note
    for f, n, forward, gradient in gradient_by_size():
        note = f"{gradient / forward:.2f} times matrix and solve, in seconds of processor (to reach: 2)"
        yield f"gradient by all vertices, {f:.0f} Hz, {n} unknowns", gradient, note
    seconds, n, error = cap_at_ka_40()
    yield "cap of 30 degrees, ka 40, six per wavelength", seconds, f"{n} unknowns, {error:.3f} dB at most (to reach 0.05)"


if __name__ == "__main__":
    warm()
    found = cost_by_size()
    Path(sys.argv[1]).write_text(json.dumps({"rows": found, "exponents": exponents(found)}), encoding="utf-8")
