"""Bodies with flares on 9 mm meshes in three dimensions against the meridian solver, another formulation on curved rings."""

import numpy as np
import pytest

from evenfield.exact.flared_body import FLARED
from evenfield.radiation import SurfaceProblem, solve_meridian

ANGLES = np.radians(np.arange(0, 181, 3))
DIRECTIONS = np.stack([np.cos(ANGLES), np.sin(ANGLES) * np.cos(0.3), np.sin(ANGLES) * np.sin(0.3)], axis=1)


@pytest.mark.parametrize("name", FLARED)
def test_nine_millimetres_to_three_kilohertz(name):
    frequencies = [400.0, 1250.0, 3000.0]
    truth = solve_meridian(FLARED[name].meridian(0.0015), frequencies).far_field(DIRECTIONS)[0]
    problem = SurfaceProblem(FLARED[name].surface(0.009), mirror=("y", "z"))
    for i, f in enumerate(frequencies):
        found = problem.solve(f)
        error = np.abs(20 * np.log10(np.abs(found.far_field(DIRECTIONS)[0] / truth[:, i])))
        kept = np.abs(truth[:, i]) > np.abs(truth[:, i]).max() / 10
        assert error[kept & (DIRECTIONS[:, 0] >= 0)].max() <= 0.1
        assert error[kept].max() <= 0.3
