"""A motor from its drawing: force factor and blocked impedance, against a mesh of half the edge length solved in full."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

import evenfield as ef

EXAMPLES = Path(__file__).parents[1] / "examples"
F = np.geomspace(20, 20e3, 31)


def figures(names=("skiff", "ketch", "barque")):
    from evenfield.loudspeaker.motor_section import read_motor
    from evenfield.magnetics import analyse_motor, blocked_impedance, ring_worth, solve_static

    for name in names:
        section = ef.load_design(EXAMPLES / f"{name}.yaml").ways["woofer"].motor
        motor = read_motor(section, "ways.woofer.motor", EXAMPLES)
        x = motor.positions(21)
        began = time.perf_counter()
        static = solve_static(motor)
        bl = sum(static.force_factor(c, x) for c in motor.driven)
        taken = time.perf_counter() - began
        fine = solve_static(motor, scale=0.5)
        reference = sum(fine.force_factor(c, x) for c in motor.driven)
        error = np.max(abs(bl - reference)) / np.max(abs(reference))
        yield f"{name}: Bl(x) at 21 positions", taken, f"{100 * error:.3f} % from half the edge length (limit 0.1 %; 5 s)"
        began = time.perf_counter()
        static = solve_static(motor, layers=True)
        z = blocked_impedance(static, x)
        drive, short = {c.name: 1.0 for c in motor.driven}, tuple(c.name for c in motor.shorted)
        ours = z.terminal(F, drive, short, resistance=False)
        taken = time.perf_counter() - began
        reference = full_impedance(motor, x)
        ratio = [np.max(abs(getattr(ours, p) / getattr(reference, p) - 1)) for p in ("imag", "real")]
        note = f"L {100 * ratio[0]:.2f} %, R {100 * ratio[1]:.2f} % from full solves, half mesh (limits 0.5, 1.5 %; 15 s)"
        yield f"{name}: blocked impedance, 21 x 31, field included", taken, f"{note}; reduced basis {z.error:.1e}"
        began = time.perf_counter()
        analyse_motor(motor)
        yield f"{name}: analyse_motor, everything", time.perf_counter() - began, ""
        if motor.rings:
            began = time.perf_counter()
            ring_worth(motor, static=static)
            yield f"{name}: worth of {len(motor.rings)} rings", time.perf_counter() - began, ""


def full_impedance(motor, x):
    """(X, F) by a factorisation per frequency and a solve per position on a mesh of half the edge length; slow."""
    from evenfield.magnetics import solve_static
    from evenfield.magnetics.harmonic import HarmonicProblem

    problem = HarmonicProblem(solve_static(motor, scale=0.5, layers=True))
    maps = [problem.linkage_map(c, x) for c in motor.coils]
    driven = sum(m for m, c in zip(maps, motor.coils, strict=True) if not c.shorted)
    shorted = [(m, c) for m, c in zip(maps, motor.coils, strict=True) if c.shorted]
    out = np.empty((len(x), len(F)), complex)
    for j, f in enumerate(F):
        inverse, jw = problem.factor(float(f)), 2j * np.pi * f
        for i in range(len(x)):
            a = problem.solve(inverse, driven[i])
            out[i, j] = jw * (driven[i] @ a)
            for m, c in shorted[:1]:
                mutual = jw * (m[i] @ a)
                own = c.resistance + jw * (m[i] @ problem.solve(inverse, m[i]))
                out[i, j] -= mutual**2 / own
    return out
