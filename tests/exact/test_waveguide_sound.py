"""What profiles do to sound, solved on the meridian behind an infinite baffle: one-parameter horns, control and its loss."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from evenfield.base import Air
from evenfield.data import Meridian
from evenfield.exact import piston
from evenfield.radiation import solve_meridian
from evenfield.search.first_cut_rules import control_frequency
from evenfield.shape import PROFILES

Array = NDArray[np.float64]
AIR = Air()


def recess(profile: str, throat: float, depth: float, mouth: float, rounding: float, step: float, cap: float = 0.0) -> Meridian:
    """The guide as a recess; its throat a disc, or the cap that meets walls of the angle `cap` at right angles."""
    x, r = PROFILES[profile].wall(np.linspace(0, 1, 2001), throat, 0.0, depth, np.array([mouth]), rounding)
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x[:, 0]), np.diff(r[:, 0])))])
    count, across = (2 * math.ceil(long / step / 2) for long in (s[-1], throat))
    at = np.linspace(s[-1], 0, count + 1)
    wall = np.column_stack([np.interp(at, s, x[:, 0]), np.interp(at, s, r[:, 0])])
    wall[0, 0] = 0.0
    turn = np.linspace(cap, 0, across + 1)
    sphere = throat / math.sin(cap) if cap else 0.0
    front = (
        np.column_stack([x[0, 0] + sphere * (np.cos(turn) - math.cos(cap)), sphere * np.sin(turn)])
        if cap
        else np.column_stack([np.full(across + 1, x[0, 0]), np.linspace(throat, 0, across + 1)])
    )
    front[-1, 1] = 0.0
    return Meridian(np.vstack([wall, front[1:]]), np.repeat([0, 1], [count, across]))


@pytest.mark.parametrize("profile", ["conical", "exponential"])
def test_throat_impedance_of_a_narrow_horn(profile: str) -> None:
    """One-parameter theory, exact for p'' + (S'/S) p' + k^2 p = 0: exponential p = e^(-mx) (A e^(-jbx) + B e^(jbx)),
    b^2 = k^2 - m^2; cone p = (A e^(-jks) + B e^(jks))/s from its apex; the mouth loaded as a baffled piston.
    Beranek & Mellow, Acoustics, 2012, chapter 9.
    """
    throat, depth, mouth = 0.01, 0.2, 0.02
    f = np.array([150.0, 350.0, 600.0, 900.0])
    found = solve_meridian(recess(profile, throat, depth, mouth, 0.0005, 0.0035), f, baffle=True, motion="axial")
    for i, k in enumerate(2 * np.pi * f / AIR.speed_of_sound):
        load = piston.circular_impedance(k * mouth)
        if profile == "exponential":
            m = math.log(mouth / throat) / depth
            b = np.sqrt(complex(k**2 - m**2))
            ends, roots = np.array([0.0, depth]), np.array([-m - 1j * b, -m + 1j * b])
            p, dp = (np.exp(np.outer(ends, roots)) * factor for factor in (1.0, roots))
        else:
            apex = throat * depth / (mouth - throat)
            ends, roots = np.array([apex, apex + depth]), np.array([-1j * k, 1j * k])
            p = np.exp(np.outer(ends, roots)) / ends[:, None]
            dp = p * (roots - 1 / ends[:, None])
        v = dp * 1j / k  # times rho c
        share = -(p[1, 0] - load * v[1, 0]) / (p[1, 1] - load * v[1, 1])  # B over A, from the mouth
        expected = (p[0, 0] + share * p[0, 1]) / (v[0, 0] + share * v[0, 1])
        here = found.radiation_impedance[0, 0, i] / (AIR.impedance * math.pi * throat**2)
        assert here == pytest.approx(expected, rel=0.05)


def beamwidth(meridian: Meridian, frequency_hz: Array) -> Array:
    """Full -6 dB angle, deg; 180 where it is not reached."""
    angle = np.arange(0, 90.5, 1.0)
    field = solve_meridian(meridian, frequency_hz, baffle=True).far_field(np.radians(angle))[0]
    drop = np.maximum.accumulate(20 * np.log10(np.abs(field[0] / field)), axis=0)
    return np.array([2 * np.interp(6.0, d, angle) if d[-1] > 6 else 180.0 for d in drop.T])


def cone(half_deg: float, mouth: float, step: float = 0.0045) -> Meridian:
    """A round cone with a rounding of a fifth of its mouth's radius, fed by the wave that fits it."""
    scale, half = mouth / 0.15, math.radians(half_deg)
    throat, rounding = 0.0125 * scale, 0.03 * scale
    depth = (mouth - rounding - throat) / math.tan(half) + rounding
    return recess("conical", throat, depth, mouth, rounding, step * scale, half)


def covered(meridian: Meridian, frequency_hz: Array, half_deg: float) -> float:
    """Half angle, deg, at which the pattern, its power averaged over frequency, is 6 dB under its mean within a quarter of
    the walls' angle: the axis alone ripples."""
    angle = np.arange(0, 90.5, 1.0)
    turn = np.radians(angle)
    power = np.abs(solve_meridian(meridian, frequency_hz, baffle=True).far_field(turn)[0]) ** 2
    mean = (power / np.trapezoid(power * np.sin(turn)[:, None], turn, axis=0)).mean(axis=1)
    drop = 10 * np.log10(mean[angle < half_deg / 2].mean() / mean)
    return float(np.interp(6.0, np.maximum.accumulate(drop), angle))


def test_a_cone_covers_nearly_its_own_angle_where_it_controls_and_loses_it_below() -> None:
    """Common practice, no source for the figures: from six times the rule's frequency up a cone's -6 dB angle goes with the angle
    between its walls, a little less than that; below, it narrows to half of it (the waist that a more flared mouth is there to
    fill); an octave under the rule, the pattern is gone. The rule: 10^6/(degrees x inches), Keele 1975, from memory.
    """
    shares = []
    for half in (25.0, 35.0, 45.0):
        rule = control_frequency(math.radians(2 * half), 0.3)
        shares.append(covered(cone(half, 0.15), rule * np.geomspace(6, 12, 7), half) / half)
        width = beamwidth(cone(half, 0.15, 0.008), rule * np.array([0.5, 2.8, 4.0])) / (2 * half)
        assert width[0] >= 2.0
        assert 0.42 < width[1:].min() < 0.6
    assert np.all((np.array(shares) > 0.8) & (np.array(shares) < 0.95))
    assert np.ptp(shares) < 0.04


@pytest.mark.parametrize("half", [35.0, 45.0])
def test_half_the_mouth_loses_the_pattern_an_octave_higher(half: float) -> None:
    """Where the -6 dB angle passes that of the walls: in inverse proportion to the mouth, and 1 to 1.6 times the rule's frequency
    for a round mouth (the rule is Keele's, from memory; the factor is ours)."""
    found = []
    for mouth in (0.15, 0.075):
        rule = control_frequency(math.radians(2 * half), 2 * mouth)
        f = rule * np.geomspace(0.8, 2.0, 9)
        width = beamwidth(cone(half, mouth, 0.008), f)
        assert np.all(np.diff(width) <= 1e-6)
        found.append(math.exp(np.interp(-2 * half, -width, np.log(f))))
        assert 1.0 < found[-1] / rule < 1.6
    assert found[1] == pytest.approx(2 * found[0], rel=0.01)
