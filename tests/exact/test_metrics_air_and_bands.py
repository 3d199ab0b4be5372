"""Air absorption (ISO 9613-1:1993) and fractional-octave axes (IEC 61260-1:2014)."""

import numpy as np
import pytest

import evenfield as ef
from evenfield.base import band_edges, octave_axis

# ISO 9613-1:1993 equations 3-5 at exact mid-bands, dB/km (computed independently; the formula read in secondary text)
FORMULA = {
    (20, 0.50): {63.1: 0.1228, 125.9: 0.4453, 251.2: 1.318, 501.2: 2.7335, 1000.0: 4.6647, 1995.3: 9.8552, 3981.1: 29.4192},
    (20, 0.70): {63.1: 0.0897, 251.2: 1.1324, 1000.0: 4.9778, 3981.1: 22.9112, 7943.3: 76.6206, 15848.9: 276.2381},
    (10, 0.70): {63.1: 0.1217, 251.2: 1.0434, 1000.0: 3.6577, 3981.1: 32.7701, 7943.3: 116.882, 15848.9: 364.938},
    (25, 0.50): {63.1: 0.1056, 251.2: 1.3232, 1000.0: 5.6767, 3981.1: 25.6683, 7943.3: 85.4476, 15848.9: 306.2208},
    (20, 0.30): {63.1: 0.1918, 251.2: 1.4248, 1000.0: 5.0051, 3981.1: 48.4681, 7943.3: 166.3451, 15848.9: 460.3162},
}
# ISO 9613-1:1993 Table 1, three digits, read in secondary text: (degrees C, humidity, mid-band): dB/km, half of the last digit
TABLE = {
    (20, 0.10, 0): (14.1, 0.05),
    (20, 0.70, 0): (4.98, 0.005),
    (20, 1.00, 0): (5.42, 0.005),
    (20, 0.10, 6): (109, 0.5),
    (20, 1.00, 6): (19.4, 0.05),
    (20, 0.70, -9): (0.339, 0.0005),
    (20, 0.50, -9): (0.445, 0.0005),
    (10, 0.70, 0): (3.66, 0.005),
    (10, 0.70, 6): (32.8, 0.05),
    (30, 0.70, 6): (23.1, 0.05),
}


@pytest.mark.parametrize("state", FORMULA)
def test_absorption_is_that_of_the_formula(state):
    air = ef.Air.at(state[0], 101325.0, state[1])
    exact = 1000 * 10 ** (np.round(np.log10(np.array(list(FORMULA[state])) / 1000) * 10) / 10)
    assert 1000 * air.absorption_db_per_m(exact) == pytest.approx(list(FORMULA[state].values()), rel=5e-4)


@pytest.mark.parametrize("entry", TABLE)
def test_absorption_is_that_of_the_printed_table(entry):
    celsius, humidity, band = entry
    value, half_digit = TABLE[entry]
    got = 1000 * ef.Air.at(celsius, 101325.0, humidity).absorption_db_per_m(1000 * 10 ** (band / 10))
    assert got == pytest.approx(value, abs=half_digit * 1.0001)


def test_third_octaves_are_base_ten_and_centred_on_one_kilohertz():
    assert octave_axis(3, 20, 20000) == pytest.approx(1000 * 10 ** (np.arange(-17, 14) / 10), rel=1e-12)
    low, high = band_edges(1000.0, 3)
    assert high / low == pytest.approx(10**0.1) and np.sqrt(high * low) == pytest.approx(1000.0)


def test_even_fractions_straddle_one_kilohertz():
    """IEC 61260-1:2014, 5.4: an even number of bands to the octave puts an edge, not a centre, at 1 kHz."""
    axis = octave_axis(6, 800, 1300)
    assert np.sqrt(axis[axis < 1000].max() * axis[axis > 1000].min()) == pytest.approx(1000.0)
    assert np.diff(np.log10(octave_axis(6))) == pytest.approx(0.05)
