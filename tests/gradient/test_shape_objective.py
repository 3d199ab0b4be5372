"""The waveguide objective's derivatives: by far fields and impedances, and through solver and morph by five dimensions."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from evenfield.search.aim import Aim, Weights, aim_of
from evenfield.search.dimensions import Dimension, Space
from evenfield.search.listening import listening_for
from evenfield.search.objective import Drive, Objective
from evenfield.search.shape_field import Fineness
from evenfield.search.shape_stage import Plan, Stage

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from shape_search_fixture import load_wren

COVERAGE = {"horizontal": 1.8, "vertical": 1.7, "diagonal": 1.75}
BASE = "ways.tweeter.waveguide"


def random_objective(mirrored, seed=1):
    rng = np.random.default_rng(seed)

    def draw(*shape):
        return rng.normal(size=shape) + 1j * rng.normal(size=shape)

    aim = Aim("t", "w", 1500.0, COVERAGE, 1500.0, 9000.0)
    listening = listening_for(aim, mirrored, 15.0)
    frequency = 1500 * 2.0 ** np.array([-0.5, -0.25, 0, 0.25, 0.5, 0.9, 1.3, 1.7, 2.1, 2.5])
    count = (3, len(listening.vectors), len(frequency))
    far = (1.2 + listening.vectors[:, 0])[None, :, None] * (3 + draw(*count))
    drive = Drive({n: draw(3, 10) for n in "wt"}, {n: draw(10) for n in "wt"}, 1, 1.3)
    return Objective(aim, listening, drive, frequency), far, draw(3, 3, 10) + 2, draw(*count), draw(3, 3, 10)


@pytest.mark.parametrize("mirrored", [True, False])
@pytest.mark.parametrize("part", [None, *vars(Weights())])
def test_derivatives_by_field_and_impedance(mirrored, part):
    objective, far, load, way, load_way = random_objective(mirrored)
    if part is not None:
        alone = Weights(**{n: 1.0 if n == part else 0.0 for n in vars(Weights())})
        objective = replace(objective, aim=replace(objective.aim, weights=alone))
    score = objective.score(far, load)
    h = 1e-6
    up, down = (objective.score(far + s * h * way, load + s * h * load_way, slopes=False).value for s in (1, -1))
    exact = np.sum(np.conj(score.far_bar) * way).real + np.sum(np.conj(score.impedance_bar) * load_way).real
    assert abs(exact) > 0
    assert (up - down) / (2 * h) == pytest.approx(exact, rel=2e-6, abs=1e-7 * abs(score.value))


def test_a_field_that_meets_the_aim_scores_nothing():
    """Two ways of the same pattern, -6 dB at the coverage angles, level over frequency."""
    objective = random_objective(True)[0]
    one = {n: np.zeros((3, 10), complex) for n in "wt"}
    one["w"][0] = one["t"][1] = 1.0
    aim = replace(objective.aim, coverage=dict.fromkeys(COVERAGE, 1.75))
    still = replace(objective, aim=aim, listening=listening_for(aim, True, 15.0))
    angle = np.arccos(np.clip(still.listening.vectors[:, 0], -1, 1))
    level = -6 * np.minimum(angle / 0.875, 2.5) ** 2
    equal = (10 ** (level / 20))[None, :, None] * np.ones((3, 1, 10), complex)
    drive = Drive(one, {n: np.ones(10) for n in "wt"}, 1, 1.3)
    score = replace(still, drive=drive).score(equal, np.full((3, 3, 10), 1.3 + 0j))
    assert score.value == pytest.approx(0.0, abs=1e-9)
    assert score.edge_db == pytest.approx(-6.0, abs=1e-9)


@pytest.fixture(scope="module")
def stage(tmp_path_factory):
    design = load_wren(tmp_path_factory.mktemp("wren"))
    aim = aim_of(design, text="pattern=0")  # which directions it counts changes by jumps
    dimensions = (
        Dimension(f"{BASE}.depth", 0.015, 0.035),
        Dimension(f"{BASE}.entry_angle", 0.2, 0.8, "deg"),
        Dimension(f"{BASE}.mouth.width", 0.07, 0.1),
        Dimension(f"{BASE}.mouth.corner_radius", 0.015, 0.037),
        Dimension("ways.tweeter.place.z", 0.036, 0.045),
    )
    space = Space(design, dimensions)
    return Stage(space, aim, Plan(2, 1.0, 5200.0, Fineness(4.0, 1.3)), design)


def test_gradient_by_five_dimensions(stage):
    """Differences of fourth order of whole solves on the morphed mesh. Single precision leaves 1e-3; pairs of triangles that
    become near or far ones by the difference leave up to 1e-2.
    """
    share = stage.space.share(stage.space.design)
    slopes = stage(share).slopes()
    assert slopes.shape == (5, len(stage.solver.frequency))
    total = slopes.sum(axis=1)
    remeshed = stage.solver.remeshed
    for n in range(5):
        e = np.zeros(5)
        e[n] = 4e-3
        one, two, back, further = (stage.measure(stage.space.at(share + s * e)).value for s in (1, 2, -1, -2))
        found = (8 * (one - back) - (two - further)) / (12 * 4e-3)
        assert found == pytest.approx(total[n], rel=0.012, abs=2e-3 * np.abs(total).max())
    assert stage.solver.remeshed == remeshed
