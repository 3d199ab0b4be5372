"""The modal sum against the closed-form Green's function, rigid modes and image sources."""

import numpy as np
import pytest

from evenfield import rooms
from evenfield.base import octave_axis
from evenfield.data import sphere_directions
from evenfield.exact.patterns import first_order_directivity
from evenfield.rooms.modes import axis_roots, modal_spectrum, rigid_mode_frequencies
from evenfield.rooms.pattern import pattern_table

C = 343.2
LENGTH = np.array([5.0, 4.0, 2.7])
SOURCE = np.array([[1.0, 1.3, 1.2]])
SEATS = np.array([[3.4, 2.1, 1.1], [0.6, 3.2, 2.0]])


def modal(f: np.ndarray, beta: float, source: np.ndarray = SOURCE, seats: np.ndarray = SEATS, coarse=None) -> np.ndarray:  # type: ignore[no-untyped-def]
    out = np.zeros((len(seats), len(f)), complex)
    plain = np.zeros((1, len(f), 16), complex)
    plain[..., 0] = 1
    k = 2 * np.pi * f / C
    made = plain if coarse is None else coarse
    modal_spectrum(LENGTH, np.full((6, len(f)), beta), k, np.eye(3), source, seats, made, coarse is None, out)
    return out


def test_rigid_mode_frequencies() -> None:
    # c/2 sqrt((l/Lx)^2 + ...) (Kuttruff, section 3.2, from memory): 1,0,0 / 0,1,0 / 1,1,0 / 0,0,1
    f = rigid_mode_frequencies((5.0, 4.0, 2.7), C, 70.0)
    assert f[:4] == pytest.approx([C / 10, C / 8, C / 2 * np.hypot(1 / 5, 1 / 4), C / 5.4])
    assert len(f) == 5  # and 2,0,0 at 68.64; 1,0,1 at 72.2 is outside


def test_peaks_stand_at_rigid_modes() -> None:
    f = np.arange(25.0, 100.0, 0.05)
    level = np.abs(modal(f, 1e-3, np.array([[0.05, 0.05, 0.05]]), np.array([[4.95, 3.95, 2.65]])))[0]
    peaks = f[1:-1][(level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])]
    for mode in rigid_mode_frequencies(LENGTH, C, 80.0):
        assert np.abs(peaks - mode).min() < 0.1


def test_closed_form_greens_function() -> None:
    """Triple sum over damped modes of every axis (Morse & Ingard, section 9.4, from memory)."""
    beta = 1 / 20
    for f in (32.0, 140.0, 260.0):
        k = 2 * np.pi * f / C
        terms, squares = [], []
        for a in range(3):
            q = np.zeros(100, complex)
            axis_roots(q, k, beta, beta, LENGTH[a], True)
            up, down = 0.5 * (1 + k * beta / q), 0.5 * (1 - k * beta / q)
            e = np.exp(2j * q * LENGTH[a])
            norm = up**2 * (e - 1) / (2j * q) + down**2 * (1 - 1 / e) / (2j * q) + 2 * up * down * LENGTH[a]
            shape = [up * np.exp(1j * q * x) + down * np.exp(-1j * q * x) for x in (SOURCE[0, a], SEATS[0, a])]
            terms.append(shape[0] * shape[1] / norm)
            squares.append(q**2)
        below = squares[0][:, None, None] + squares[1][None, :, None] + squares[2][None, None] - k * k
        whole = 4 * np.pi * np.sum(terms[0][:, None, None] * terms[1][None, :, None] * terms[2][None, None] / below)
        assert abs(modal(np.array([f]), beta)[0, 0] - whole) < 1e-3 * abs(whole) + 1e-4


def test_reciprocity() -> None:
    f = np.linspace(30, 300, 20)
    there = modal(f, 0.03)[1]
    back = modal(f, 0.03, SEATS[1:], SOURCE)[0]
    assert there == pytest.approx(back, rel=5e-3, abs=2e-3)


def test_modes_and_images_agree_where_both_hold() -> None:
    """Lightly damped room, 100 ... 300 Hz: modal sum against image sources to 0.4 s, third-octave means within 1 dB."""
    f = octave_axis(24, 60, 450)
    room = rooms.box_room(LENGTH, 0.25)
    place, seat = rooms.Placement((1.0, 1.3, 1.2)), (3.4, 2.1, 1.1)
    source = rooms.omnidirectional(f)
    images = rooms.impulse_response(room, source, place, seat, 8000, early_s=0.5, late=False, modes=False)
    spectrum = np.fft.rfft(images.value)
    bins = np.fft.rfftfreq(len(images.value), 1 / 8000)
    use = (bins > 100) & (bins < 320)
    exact = modal(bins[use], float(1 / rooms.wall_impedance(0.25)), seats=np.array([seat]))[0]
    for low in (100, 126, 159, 200, 252):
        band = (bins[use] >= low) & (bins[use] < low * 1.26)
        difference = 10 * np.log10(np.mean(np.abs(spectrum[use][band]) ** 2) / np.mean(np.abs(exact[band]) ** 2))
        assert abs(difference) < 1.0


def test_directive_source_in_the_modes() -> None:
    """In a room whose walls swallow most, the seat behind a cardioid hears less than the one in front, as outdoors."""
    f = np.array([200.0, 300.0])
    cardioid = rooms.loudspeaker(first_order_directivity("cardioid", sphere_directions(5.0, False), np.geomspace(90, 900, 30)))
    grid = pattern_table(cardioid, np.array([100.0, 300.0, 800.0]), f).low
    # 0.5 + 0.5 x: the two first products of direction components
    assert grid[0, 0] == pytest.approx([0.5, 0.5, *([0.0] * 14)], abs=1e-6)
    source = np.array([[2.5, 2.0, 1.35]])
    front, back = np.array([[4.0, 2.0, 1.35]]), np.array([[1.0, 2.0, 1.35]])
    matched = 1 / 1.5668
    ratio = np.abs(modal(f, matched, source, front, grid)[0]) / np.abs(modal(f, matched, source, back, grid)[0])
    assert np.all(20 * np.log10(ratio) > 6)


def test_no_step_at_the_splice() -> None:
    """Ensemble means where the splice lies, 100 to 250 Hz: modes against images and late field."""
    from evenfield.rooms import playing

    f = octave_axis(24, 18, 21000)
    drawn = rooms.ensemble("studios", 40, seed=3)
    source = rooms.omnidirectional(f)
    original = playing.SPLICE_HZ
    try:
        playing.SPLICE_HZ = (1e4, 1e4)
        below = rooms.play(drawn, source, low_hz=60, high_hz=400)
        playing.SPLICE_HZ = (1.0, 1.0)
        above = rooms.play(drawn, source, low_hz=60, high_hz=400)
    finally:
        playing.SPLICE_HZ = original
    use = (below.frequency > 95) & (below.frequency < 265)
    a, b = (10 * np.log10(p.expected[..., use].mean()) for p in (below, above))
    assert abs(a - b) < 0.7
