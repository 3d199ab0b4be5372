"""Closed-form gradients of sections against central differences; their response against the chain's own."""

import numpy as np
import pytest

from evenfield.filters import FilterChain, make_section
from evenfield.filters.gradients import GAIN_KINDS, QUALITY_KINDS, Shape, log_gradient

F = np.geomspace(30, 18e3, 60)
SHAPES = [
    Shape("peaking"),
    Shape("low-shelf"),
    Shape("high-shelf"),
    Shape("all-pass"),
    Shape("notch"),
    Shape("low-pass", "linkwitz-riley", 4),
    Shape("high-pass", "butterworth", 3),
    Shape("high-pass", "bessel", 5),
]


def section(shape: Shape, f0: float, gain: float, q: float):  # type: ignore[no-untyped-def]
    values = {"frequency": f0}
    if shape.kind in ("low-pass", "high-pass"):
        return make_section(shape.kind, order=shape.order, family=shape.family, **values)
    if shape.kind in GAIN_KINDS:
        values["gain_db"] = gain
    return make_section(shape.kind, q=q, **values)


@pytest.mark.parametrize("rate", [None, 48e3])
@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: f"{s.kind}-{s.family}")
def test_response_and_gradient(shape: Shape, rate: float | None) -> None:
    """Judge: the chain's response (bilinear at a rate) and its central differences."""
    f0, gain, q = 1234.0, -4.5, 1.3
    h, gradient = log_gradient([shape], np.array([f0]), np.array([gain]), np.array([q]), F, rate)
    whole = FilterChain((section(shape, f0, gain, q),))
    assert np.allclose(h, whole.response(F, rate), rtol=1e-9, atol=1e-12)
    d = 1e-5
    moves = [((f0 * np.exp(s * d), gain, q), 0) for s in (1, -1)]
    moves += [((f0, gain + s * d, q), 1) for s in (1, -1)] + [((f0, gain, q * np.exp(s * d)), 2) for s in (1, -1)]
    for k in range(3):
        if (k == 1 and shape.kind not in GAIN_KINDS) or (k == 2 and shape.kind not in QUALITY_KINDS):
            assert np.all(gradient[0, k] == 0)
            continue
        up, down = (FilterChain((section(shape, *v),)).response(F, rate) for v, which in moves if which == k)
        numeric = np.log(up / down) / (2 * d)
        assert np.allclose(gradient[0, k], numeric, rtol=2e-5, atol=2e-6)


def test_several_sections_multiply_and_keep_their_own_gradients() -> None:
    shapes = [Shape("peaking"), Shape("low-pass", "linkwitz-riley", 4)]
    f0, gain, q = np.array([500.0, 2000.0]), np.array([3.0, 0.0]), np.array([2.0, 0.7])
    both, gradient = log_gradient(shapes, f0, gain, q, F, None)
    alone = [log_gradient([s], f0[i : i + 1], gain[i : i + 1], q[i : i + 1], F, None) for i, s in enumerate(shapes)]
    assert np.allclose(both, alone[0][0] * alone[1][0], rtol=1e-12)
    assert np.allclose(gradient[1], alone[1][1][0], rtol=1e-12)
