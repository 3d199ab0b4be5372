"""Walls, decay and late energy against closed forms."""

import numpy as np
import pytest
from scipy.integrate import quad

from evenfield.base import Air
from evenfield.rooms import late
from evenfield.rooms.ensembles import ensemble, nominal_reverberation_time
from evenfield.rooms.impedance import random_incidence_absorption, reflection_factor, wall_impedance
from evenfield.rooms.room import box_room
from evenfield.rooms.surfaces import material


@pytest.mark.parametrize("zeta", [1.567, 3.0, 10.0, 100.0])
def test_absorption_is_paris_integral(zeta: float) -> None:
    # Paris: alpha = integral of alpha(t) sin 2t dt (Kuttruff, Room Acoustics, section 2.5, from memory)
    value, _ = quad(lambda t: (1 - reflection_factor(zeta, np.cos(t)) ** 2) * np.sin(2 * t), 0, np.pi / 2)
    assert random_incidence_absorption(zeta) == pytest.approx(value, abs=1e-9)


def test_impedance_reproduces_absorption() -> None:
    alpha = np.array([0.01, 0.1, 0.3, 0.6, 0.9, 0.951])
    assert random_incidence_absorption(wall_impedance(alpha)) == pytest.approx(alpha, abs=2e-5)
    # greatest random-incidence absorption of a real locally reacting wall, 0.951 (Kuttruff, from memory)
    assert random_incidence_absorption(wall_impedance(1.0)) == pytest.approx(0.951, abs=5e-4)


def test_sabine_and_eyring() -> None:
    room = box_room((6, 5, 3), 0.2, air=Air(humidity=0.5))
    dry = late.decay_rate(90.0, 126.0, 0.2, 0.0, 343.2)
    # Eyring: 0.161 V/(-S ln(1 - alpha)); 55.3/c = 0.1611 (ISO 354; Eyring 1930)
    assert late.reverberation_time(dry) == pytest.approx(0.1611 * 90 / (-126 * np.log(0.8)), rel=1e-3)
    assert late.sabine_time(90.0, 126 * 0.2, 343.2) == pytest.approx(0.1611 * 90 / 25.2, rel=1e-3)
    # air shortens it: 4 m V beside the walls' area, m from ISO 9613-1 (29.42 dB/km at 3981.1 Hz, 20 degC, 50 %)
    walls = -126 * np.log(0.8)
    expected = 0.1611 * 90 / (walls + 4 * 90 * 29.4192e-3 / 4.3429)
    assert room.reverberation_time(3981.1)[0] == pytest.approx(expected, rel=1e-3)


def test_critical_distance_from_directivity_index() -> None:
    # r = sqrt(Q A/(16 pi)): direct equals reverberant there (Kuttruff, section 5.1, from memory)
    index_db, volume, absorption_area = 6.0, 90.0, 12.0
    rate = late.DECAYS_60_DB / late.sabine_time(volume, absorption_area, 343.2)
    power = 10 ** (-index_db / 10)  # mean square over the sphere of a source of 1 Pa at 1 m on axis
    reverberant = late.reverberant_square(power, volume, rate, 0.0, 343.2)
    distance = np.sqrt(10 ** (index_db / 10) * absorption_area / (16 * np.pi))
    assert 1 / distance**2 == pytest.approx(float(reverberant), rel=1e-9)


def test_late_energy_falls_by_60_db_in_the_reverberation_time() -> None:
    rate = late.decay_rate(90.0, 126.0, 0.2, 0.0, 343.2)
    time = float(late.reverberation_time(rate))
    first, last = (float(late.reverberant_square(1.0, 90.0, rate, t, 343.2)) for t in (0.0, time))
    assert 10 * np.log10(first / last) == pytest.approx(60.0, abs=1e-9)
    # what scattering takes between two times is what mirror paths lack: with total scattering, all that arrives then
    taken = float(late.scattered_square(1.0, 90.0, rate, 1e9, 0.0, time, 343.2))
    assert taken == pytest.approx(first - last, rel=1e-6)


def test_speckle_variance_limits() -> None:
    # pure tone: relative variance 1 (5.57 dB standard deviation, Schroeder 1954); wide band: 13.8/(2 B T)
    assert late.speckle_variance(1e-6, 0.5) == pytest.approx(1.0, abs=1e-6)
    assert late.speckle_variance(1e5, 1.0) == pytest.approx(late.DECAYS_60_DB / (2 * 1e5), rel=1e-3)


def test_speckle_variance_of_decaying_noise() -> None:
    time, bandwidth, rate = 0.3, 40.0, 2000.0
    generator = np.random.default_rng(1)
    t = np.arange(2048) / rate
    envelope = np.exp(-late.DECAYS_60_DB / 2 * t / time)
    spectrum = np.abs(np.fft.rfft(envelope * generator.standard_normal((4000, 2048)), axis=1)) ** 2
    f = np.fft.rfftfreq(2048, 1 / rate)
    band = spectrum[:, (f > 500) & (f < 500 + bandwidth)].mean(axis=1)
    assert band.var() / band.mean() ** 2 == pytest.approx(float(late.speckle_variance(bandwidth, time)), rel=0.08)


def test_drawn_squares_have_the_stated_mean_and_variance() -> None:
    generator = np.random.default_rng(2)
    early, diffuse, variance = (np.full(200_000, v) for v in (2.0, 3.0, 0.2))
    drawn = late.draw_square(early, diffuse, variance, generator)
    assert drawn.min() >= 0
    assert drawn.mean() == pytest.approx(5.0, rel=5e-3)
    # fixed plus Gaussian field, 1/v samples: v (late^2 + 2 early late)
    assert drawn.var() == pytest.approx(0.2 * (9 + 12), rel=0.03)


def test_boundary_power_limits() -> None:
    # hard walls, low frequency: 2, 4, 8 times the power (Waterhouse 1958); far away: once
    near, far, one = np.full((1, 3), 0.01), np.full((1, 3), 50.0), np.ones((1, 3, 1))
    assert late.boundary_power(near, one, np.array([0.1])) == pytest.approx(8.0, rel=1e-3)
    assert late.boundary_power(far, one, np.array([20.0])) == pytest.approx(1.0, abs=0.01)


def test_nominal_reverberation_time_of_drawn_studios() -> None:
    assert nominal_reverberation_time(100.0) == pytest.approx(0.25)  # EBU Tech 3276 (read in secondary text)
    assert nominal_reverberation_time(800.0) == pytest.approx(0.5)
    rooms = ensemble("studios", 60, seed=5)
    f = np.array([500.0, 1000.0, 2000.0])
    alpha = rooms.mean(rooms.at(rooms.absorption, f))
    rate = late.decay_rate(rooms.volume[:, None], rooms.areas.sum(1)[:, None], alpha, rooms.air.absorption_db_per_m(f), 343.2)
    off = late.reverberation_time(rate).mean(axis=1) - nominal_reverberation_time(rooms.volume)
    assert np.abs(off).max() < 0.09  # +-0.05 s drawn, octave errors beside
    assert abs(off.mean()) < 0.02
    w, h = rooms.lengths[:, 1], rooms.lengths[:, 2]
    ratio = rooms.lengths[:, 0] / h
    assert np.all(ratio >= 1.1 * w / h - 1e-9) and np.all(ratio <= 4.5 * w / h - 4 + 1e-9)


def test_small_table_stays_within_bounds() -> None:
    carpet = material("carpet")
    assert carpet.absorption_at([125.0, 1000.0]) == pytest.approx([0.02, 0.37])
    assert carpet.absorption_at(20.0) == pytest.approx(0.01)  # held beyond the ends
