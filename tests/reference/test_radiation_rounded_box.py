"""A rounded box with two pistons against fields from an independent boundary-element library (data/rounded-box/README.md)."""

from pathlib import Path

import numpy as np
import pytest

from evenfield.data import SurfaceMesh
from evenfield.radiation import SurfaceProblem

DATA = Path(__file__).parent / "data" / "rounded-box"


@pytest.fixture(scope="module")
def reference():
    with np.load(DATA / "box.npz") as file:
        return dict(file)


def box(which):
    with np.load(DATA / f"box_mesh_{which}.npz") as file:
        return SurfaceMesh(file["vertices"], file["triangles"], file["tag"])


@pytest.fixture(scope="module")
def fine():
    return SurfaceProblem(box("fine"), mirror="y")


@pytest.fixture(scope="module")
def coarse():
    return SurfaceProblem(box("coarse"), mirror="y")


def orbits(reference):
    angle = np.radians(reference["angles_deg"])
    zero = 0 * angle
    horizontal = np.stack([np.cos(angle), np.sin(angle), zero], axis=1)
    return np.concatenate([horizontal, np.stack([np.cos(angle), zero, np.sin(angle)], axis=1)])


def level_errors(solution, reference):
    """Largest level errors in the front hemisphere and everywhere, both pistons, within 20 dB of the maximum, dB."""
    index = int(np.flatnonzero(reference["freqs"] == solution.frequency_hz)[0])
    directions = orbits(reference)
    ours = solution.far_field(directions)
    front, anywhere = [], []
    for piston, name in enumerate(("lf", "hf")):
        truth = np.concatenate([reference[f"p_{name}_h"][index], reference[f"p_{name}_v"][index]])
        error = np.abs(20 * np.log10(np.abs(ours[piston]) / np.abs(truth)))
        kept = np.abs(truth) > np.abs(truth).max() / 10
        front.append(error[kept & (directions[:, 0] > -1e-9)].max())
        anywhere.append(error[kept].max())
        # the phase too: within half a degree for the large piston, three for the small one at the top
        assert np.abs(np.angle(ours[piston] / truth))[kept].max() < 0.05
    return max(front), max(anywhere)


@pytest.mark.parametrize("frequency_hz", [200.0, 1000.0, 2000.0, 3150.0])
def test_fine_mesh(fine, reference, frequency_hz):
    front, anywhere = level_errors(fine.solve(frequency_hz), reference)
    # the reference's own errors are up to 0.06 dB front and 0.12 dB anywhere
    assert front <= 0.1
    assert anywhere <= 0.3


@pytest.mark.parametrize("frequency_hz", [500.0, 2000.0])
def test_coarse_mesh_holds_its_stated_error(coarse, reference, frequency_hz):
    solution = coarse.solve(frequency_hz)
    front, _ = level_errors(solution, reference)
    assert front <= 1.5 * solution.error_db + 0.03


def test_mutual_impedances_are_alike(fine):
    z = fine.solve(1000.0).radiation_impedance
    assert abs(z[0, 1] - z[1, 0]) < 2e-3 * abs(z[0, 1])
