"""A recess whose wall is tangent to the baffle states what its rules may miss."""

import numpy as np

from evenfield.data import Meridian
from evenfield.radiation import MeridianProblem


def recess(cut):
    """A flare tangent to the baffle, its last `cut` m of depth left out."""
    s = np.linspace((cut / 0.04) ** (1 / 3), 1, 13)
    wall = np.column_stack([cut - 0.04 * s**3, 0.10 - 0.08 * s])
    wall[0, 0] = 0.0
    throat = np.column_stack([np.full(4, wall[-1, 0]), np.linspace(wall[-1, 1], 0, 5)[1:]])
    return Meridian(np.concatenate([wall, throat]), np.repeat([0, 1], [12, 4]))


def test_only_a_tangent_rim_is_said_to_be_uncertain():
    tangent, cut = (MeridianProblem(recess(c), motion="axial", baffle=True).solve(1000.0) for c in (0.0, 1e-4))
    assert tangent.error_db >= 1.0
    assert any("tangent" in note for note in tangent.notes)
    assert cut.error_db < 0.5
    assert not any("tangent" in note for note in cut.notes)
