"""The closed forms that judge the solvers, against values derived independently or printed in handbooks."""

import numpy as np
import pytest

from evenfield.base import Air, DataError
from evenfield.exact import piston, sphere

C = Air().speed_of_sound
ANGLES = np.radians([30, 60, 90, 120, 150, 180])

# radially moving cap: level re axis at 30 ... 180 degrees, and directivity index, dB. Source: series of Morse & Ingard,
# section 7.2, and Beranek & Mellow, section 12.7, computed independently to 1e-6.
CAPS = [
    (30, 1, [-0.4244771692086734, -1.717189668496836, -3.5841455200143715, -4.347378343047693, -3.2871643760240223,
             -2.625909975309449], 2.605919260199458),
    (30, 10, [-7.618858815335329, -18.38786516764109, -20.110280901251166, -24.68928317989323, -30.01631127289345,
              -20.45959038880518], 13.507615557886044),
    (60, 3, [-2.0331197008417203, -7.213000833091106, -12.863466988263855, -15.695529451929639, -18.40243977778715,
             -11.827955363405955], 7.967463331574715),
    (60, 10, [0.2978741079979455, -7.626378859883923, -16.057279686353557, -19.327796499751425, -23.126415923978108,
              -11.761565955168027], 7.683448359887894),
]  # fmt: skip

# point source on a rigid sphere, re itself in free space, dB, at 0, 30 ... 180 degrees. Source: as above, section 7.2.
POINT_SOURCES = {
    0.1: [0.0073594762786368725, 0.0008605094640102136, -0.012235849431934644, -0.01900751186248363,
          -0.012883136539808878, -0.00025502639524348106, 0.006074582752989616],
    1: [3.0359477382622497, 2.6857740747532044, 1.5481842498315168, -0.23506574554457535, -1.0594754942776576,
        -0.06515845498077806, 0.572404210572645],
    10: [5.832056321119649, 5.69942013139743, 4.927379803366167, 2.432882243262248, -2.455280861996361,
         -8.7486823017486, 0.3846877467607532],
}  # fmt: skip

# R1(2ka), X1(2ka), directivity index. Source: Beranek & Mellow, chapter 13; four digits of them in Kinsler & Frey.
PISTONS = {
    0.1: (0.004991673607639635, 0.0846565411445937, 3.0175381976699533),
    0.5: (0.1198988285101329, 0.39691467240388884, 3.1912506889320897),
    1: (0.4232751922431266, 0.6467637282835622, 3.733771843670848),
    2: (1.0330216640117746, 0.5348633306544597, 5.879505619069738),
    5: (0.9913054507662277, 0.17836649841890756, 14.017325144868668),
    10: (0.993316687582415, 0.04726881842910433, 20.02912268379994),
}

# aspect ratio, k sqrt(S): Z/(rho c S). Source: autocorrelation integral, cf. Stepanishen, J. Sound Vib. 55 (1977) 275.
RECTANGLES = {
    (1, 0.5): 0.03924001186016537 + 0.2314635996008845j,
    (1, 8): 0.936377796569133 + 0.1884226685289577j,
    (2, 2): 0.4857340455085655 + 0.6239252425908082j,
    (4, 1): 0.14178567599033007 + 0.3718459772880822j,
    (4, 8): 1.0755518193972857 + 0.22547446317225553j,
}


@pytest.mark.parametrize(("half_angle", "ka", "levels", "index_db"), CAPS)
def test_cap_on_a_sphere(half_angle, ka, levels, index_db):
    frequency = ka * C / (2 * np.pi)
    alpha = np.radians(half_angle)
    p = sphere.cap_far_field(1.0, alpha, frequency, np.concatenate([[0.0], ANGLES]))[:, 0]
    assert 20 * np.log10(np.abs(p[1:] / p[0])) == pytest.approx(levels, abs=1e-6)
    # the power from the impedance: two independent sums of the series
    resistance = sphere.cap_impedance(1.0, alpha, frequency)[0].real
    index = 10 * np.log10(4 * np.pi * abs(p[0]) ** 2 / (Air().impedance * resistance))
    assert index == pytest.approx(index_db, abs=1e-6)


def test_an_axially_moving_whole_sphere_is_a_dipole():
    # Morse & Ingard, section 7.2: p = -j rho c U h1(ka)/h1'(ka) cos; force 4/3 pi a^2 p
    ka, radius = 1.3, 0.2
    frequency = ka * C / (2 * np.pi * radius)
    h = np.exp(-1j * ka) * (1j / ka**2 - 1 / ka)
    slope = np.exp(-1j * ka) * (2 / ka**2 - 2j / ka**3 + 1j / ka)
    z = sphere.cap_impedance(radius, np.pi, frequency, "axial")[0]
    assert z == pytest.approx(-1j * Air().impedance * 4 / 3 * np.pi * radius**2 * h / slope, rel=1e-9)
    p = sphere.cap_far_field(radius, np.pi, frequency, np.radians([0, 60, 90, 180]), "axial")[:, 0]
    assert np.abs(p / p[0] - [1, 0.5, 0, -1]).max() < 1e-12


def test_turning_the_cap_turns_its_field():
    axis = np.array([1.0, 2.0, -0.5])
    turned = sphere.cap_far_field_towards(np.array([axis / np.linalg.norm(axis), [0, 0, 1]]), axis, 0.1, 0.5, 2000.0)
    cosine = -0.5 / np.linalg.norm(axis)
    assert turned[:, 0] == pytest.approx(sphere.cap_far_field(0.1, 0.5, 2000.0, [0.0, np.arccos(cosine)])[:, 0], rel=1e-12)


@pytest.mark.parametrize("ka", POINT_SOURCES)
def test_point_source_on_a_sphere(ka):
    p = sphere.point_source_far_field(ka, np.concatenate([[0.0], ANGLES]))
    assert 20 * np.log10(np.abs(p)) == pytest.approx(POINT_SOURCES[ka], abs=1e-6)


@pytest.mark.parametrize("ka", PISTONS)
def test_circular_piston(ka):
    resistance, reactance, index_db = PISTONS[ka]
    assert complex(piston.circular_impedance(ka)) == pytest.approx(resistance + 1j * reactance, abs=1e-12)
    assert float(piston.circular_directivity_index(ka)) == pytest.approx(index_db, abs=1e-9)


def test_circular_piston_at_low_frequency():
    # (ka)^2/2 and the end correction 8/(3 pi), Rayleigh
    z = complex(piston.circular_impedance(1e-4))
    assert z.real == pytest.approx(0.5e-8, rel=1e-6)
    assert z.imag == pytest.approx(8e-4 / (3 * np.pi), rel=1e-6)


def test_circular_piston_pattern():
    # first null of J1 and the half-amplitude argument
    assert float(piston.circular_pattern(3.8317059702075125, np.pi / 2)) == pytest.approx(0, abs=1e-12)
    assert float(piston.circular_pattern(2.2150893677242327, np.pi / 2)) == pytest.approx(0.5, abs=1e-10)
    assert float(piston.circular_pattern(5.0, 0.0)) == 1.0
    # its power by integration over the half space is that of the impedance
    angle, weight = np.polynomial.legendre.leggauss(60)
    theta = (angle + 1) * np.pi / 4
    frequency = 3.0 * C / (2 * np.pi * 0.05)
    p = piston.circular_far_field(0.05, frequency, theta)[:, 0]
    power = 2 * np.pi * (np.abs(p) ** 2 * np.sin(theta)) @ weight * np.pi / 4 / Air().impedance
    assert power == pytest.approx(Air().impedance * np.pi * 0.05**2 * piston.circular_impedance(3.0).real, rel=1e-9)


@pytest.mark.parametrize(("aspect", "size"), RECTANGLES)
def test_rectangular_piston(aspect, size):
    z = piston.rectangular_impedance(size * aspect**0.5, size / aspect**0.5)
    assert z == pytest.approx(RECTANGLES[aspect, size], abs=1e-8)


def test_bad_input_is_refused():
    with pytest.raises(DataError, match="half_angle"):
        sphere.cap_far_field(1.0, 0.0, 100.0, 0.0)
    with pytest.raises(DataError, match="frequency_hz"):
        sphere.cap_far_field(1.0, 0.5, -100.0, 0.0)
    with pytest.raises(DataError, match="ka"):
        piston.circular_impedance(0.0)
    with pytest.raises(DataError, match="motion"):
        sphere.cap_impedance(1.0, 0.5, 100.0, "sideways")
