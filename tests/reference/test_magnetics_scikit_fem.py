"""The same motor by independent code: scikit-fem, another unknown, another mesh (stored; made by make.py beside the values)."""

import json
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("ngsolve")

from evenfield.magnetics import Coil, Motor, Part, material, solve_static
from evenfield.magnetics.polygons import rectangle
from evenfield.magnetics.statics import driven_sense

MM = 1e-3
VALUES = Path(__file__).parent / "data/motor-scikit-fem/values.json"


def body(name: str, of: str, r0: float, r1: float, z0: float, z1: float) -> Part:
    return Part(name, rectangle(r0 * MM, r1 * MM, z0 * MM, z1 * MM), material(of))


def motor() -> Motor:
    steel = "steel-1018"
    parts = (
        body("pole", steel, 0, 12, -20, 4),
        body("back plate", steel, 12, 36, -20, -14),
        body("top plate", steel, 13.5, 34, -2, 4),
        body("magnet", "ferrite", 18, 36, -14, -2),
    )
    coil = Coil("coil", 12.4 * MM, 13.1 * MM, -5 * MM, 7 * MM, 80, 5.0)
    return Motor("ferrite", parts, (coil,), 7 * MM)


def test_force_factor_agrees_with_independent_code() -> None:
    stored = np.array(json.loads(VALUES.read_text(encoding="utf-8"))["values"])
    static = solve_static(motor())
    ours = driven_sense(static) * static.force_factor(static.motor.coils[0], stored[:, 0] * MM)
    assert ours == pytest.approx(stored[:, 1], rel=4e-4)
