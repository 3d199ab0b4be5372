"""Butterworth, Linkwitz-Riley and Bessel against closed forms and scipy.signal; cookbook sections; warping."""

import math

import numpy as np
import pytest
from scipy import signal

from evenfield.filters import AllPass, FilterChain, HighPass, HighShelf, LowPass, LowShelf, Notch, Peaking

F = np.geomspace(20, 20e3, 121)


def db(h):  # type: ignore[no-untyped-def]
    return 20 * np.log10(np.abs(h))


@pytest.mark.parametrize("order", [1, 2, 3, 4, 5, 8, 13])
def test_butterworth_magnitude(order: int) -> None:
    """|H|^2 = 1 / (1 + (f/fc)^(2n)). Source: Butterworth, Wireless Engineer 7 (1930) 536."""
    x = F / 1000.0
    low = FilterChain((LowPass(1000.0, order, "butterworth"),)).response(F)
    high = FilterChain((HighPass(1000.0, order, "butterworth"),)).response(F)
    assert np.allclose(np.abs(low) ** 2, 1 / (1 + x ** (2 * order)), rtol=1e-10)
    assert np.allclose(np.abs(high) ** 2, x ** (2 * order) / (1 + x ** (2 * order)), rtol=1e-10)


@pytest.mark.parametrize(
    ("family", "order"), [("butterworth", n) for n in (1, 2, 3, 6)] + [("bessel", n) for n in (1, 2, 3, 4, 7, 12, 16)]
)
@pytest.mark.parametrize("kind", ["low", "high"])
def test_families_against_scipy(family: str, order: int, kind: str) -> None:
    """Judge: scipy.signal.butter / bessel(norm="mag"), analogue complex response and digital one at 48 kHz."""
    section = (LowPass if kind == "low" else HighPass)(1000.0, order, family)  # type: ignore[arg-type]
    design = signal.butter if family == "butterworth" else lambda *a, **k: signal.bessel(*a, **k, norm="mag")
    z, p, k = design(order, 2 * np.pi * 1000.0, kind, analog=True, output="zpk")
    analogue = signal.freqs_zpk(z, p, k, 2 * np.pi * F)[1]
    assert np.max(np.abs(FilterChain((section,)).response(F) - analogue)) < 1e-8
    z, p, k = design(order, 1000.0, kind, fs=48e3, output="zpk")
    digital = signal.freqz_zpk(z, p, k, F, fs=48e3)[1]
    assert np.max(np.abs(FilterChain((section,)).response(F, 48e3) - digital)) < 1e-7


@pytest.mark.parametrize("order", [2, 4, 6, 8])
def test_linkwitz_riley_sums_to_an_all_pass(order: int) -> None:
    """Branches 6.0206 dB down at fc, sum of unit magnitude; one inverted for orders 2, 6.

    Source: check value lr4 (derived); S. Linkwitz, JAES 24 (1976) 2.
    """
    sign = -1 if order % 4 else 1
    for rate in (None, 48e3):
        low = FilterChain((LowPass(1500.0, order),))
        high = FilterChain((HighPass(1500.0, order),))
        assert db(low.response([1500.0], rate))[0] == pytest.approx(-6.020599913279624, abs=1e-9)
        assert db(high.response([1500.0], rate))[0] == pytest.approx(-6.020599913279624, abs=1e-9)
        total = low.response(F, rate) + sign * high.response(F, rate)
        assert np.max(np.abs(np.abs(total) - 1)) < 1e-9


def test_bessel_is_normalised_in_magnitude_and_flat_in_delay() -> None:
    for order in (2, 4, 8):
        chain = FilterChain((LowPass(1000.0, order, "bessel"),))
        assert db(chain.response([1000.0]))[0] == pytest.approx(-3.0103, abs=1e-4)
    f = np.linspace(1, 300, 200)
    phase = np.unwrap(np.angle(chain.response(f)))
    delay = -np.gradient(phase, 2 * np.pi * f)
    assert np.ptp(delay[1:-1]) / delay.mean() < 1e-6


def cookbook(kind: str, f0: float, gain: float, q: float, fs: float) -> list[float]:
    """The printed coefficients of R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Note, 2021), written out independently."""
    a, w = 10 ** (gain / 40), 2 * math.pi * f0 / fs
    c, alpha = math.cos(w), math.sin(w) / (2 * q)
    s = 2 * math.sqrt(a) * alpha
    if kind == "peaking":
        return [1 + alpha * a, -2 * c, 1 - alpha * a, 1 + alpha / a, -2 * c, 1 - alpha / a]
    if kind == "low-shelf":
        return [
            a * ((a + 1) - (a - 1) * c + s),
            2 * a * ((a - 1) - (a + 1) * c),
            a * ((a + 1) - (a - 1) * c - s),
            (a + 1) + (a - 1) * c + s,
            -2 * ((a - 1) + (a + 1) * c),
            (a + 1) + (a - 1) * c - s,
        ]
    if kind == "high-shelf":
        return [
            a * ((a + 1) + (a - 1) * c + s),
            -2 * a * ((a - 1) + (a + 1) * c),
            a * ((a + 1) + (a - 1) * c - s),
            (a + 1) - (a - 1) * c + s,
            2 * ((a - 1) - (a + 1) * c),
            (a + 1) - (a - 1) * c - s,
        ]
    if kind == "notch":
        return [1, -2 * c, 1, 1 + alpha, -2 * c, 1 - alpha]
    return [1 - alpha, -2 * c, 1 + alpha, 1 + alpha, -2 * c, 1 - alpha]


@pytest.mark.parametrize("f0", [30.0, 1000.0, 15e3])
def test_biquads_are_the_cookbooks(f0: float) -> None:
    for section, gain in [
        (Peaking(f0, 5.0, 1.4), 5.0),
        (Peaking(f0, -9.0, 4.0), -9.0),
        (LowShelf(f0, 6.0, 0.8), 6.0),
        (HighShelf(f0, -4.0, 0.6), -4.0),
        (Notch(f0, 3.0), 0.0),
        (AllPass(f0, 1.1), 0.0),
    ]:
        ours = FilterChain((section,)).sections_as_biquads(48e3)[0]
        theirs = np.array(cookbook(section.kind, f0, gain, section.q, 48e3))  # type: ignore[attr-defined]
        assert np.allclose(ours, theirs / theirs[3], rtol=0, atol=1e-10), section


def test_shelves_and_peaks_reach_their_gain() -> None:
    """0 dB and `gain` at the far ends, half of it (dB) at the shelf's frequency, all of it at the peak's."""
    low, high = FilterChain((LowShelf(1e3, 8.0),)), FilterChain((HighShelf(1e3, 8.0),))
    assert db(low.response([1e-2, 1e3, 1e8])) == pytest.approx([8, 4, 0], abs=1e-6)
    assert db(high.response([1e-2, 1e3, 1e8])) == pytest.approx([0, 4, 8], abs=1e-6)
    assert db(FilterChain((Peaking(1e3, -7.0, 2.0),)).response([1e3]))[0] == pytest.approx(-7.0, abs=1e-9)
    assert abs(FilterChain((Notch(1e3, 2.0),)).response([1e3])[0]) < 1e-12


@pytest.mark.parametrize("order", [1, 2])
def test_all_pass(order: int) -> None:
    chain = FilterChain((AllPass(1e3, 0.7, order),))
    for rate in (None, 48e3):
        h = chain.response(F, rate)
        assert np.allclose(np.abs(h), 1, atol=1e-12)
        assert chain.response([1e3], rate)[0] == pytest.approx(-1j if order == 1 else -1, abs=1e-9)


def test_the_bilinear_transform_warps_as_theory_says() -> None:
    """H_digital(f) = H_analogue(f') with tan(pi f/fs) / tan(pi f0/fs) = f'/f0 for every section; exact at f0."""
    fs, f0 = 48e3, 5e3
    f = np.linspace(10, 23.9e3, 97)
    warped = f0 * np.tan(np.pi * f / fs) / np.tan(np.pi * f0 / fs)
    for section in (Peaking(f0, 6.0, 2.0), LowPass(f0, 5, "bessel"), HighPass(f0, 3, "butterworth"), HighShelf(f0, 3.0)):
        chain = FilterChain((section,))
        assert np.allclose(chain.response(f, fs), chain.response(warped), rtol=0, atol=1e-9)
        assert chain.response([f0], fs)[0] == pytest.approx(chain.response([f0])[0], abs=1e-12)


def test_against_pyfar() -> None:
    """Judge: pyfar 0.8.1, bell (type III: half-gain bandwidth, as in the cookbook) and butterworth, at 44.1 kHz.

    The bell is judged at 100 Hz: the judge bends its quality near the Nyquist frequency, the cookbook does not.
    """
    import pyfar as pf

    impulse = pf.signals.impulse(2**15, sampling_rate=44100)
    frequency = np.fft.rfftfreq(2**15, 1 / 44100)[1:-1]
    bell = pf.dsp.filter.bell(impulse, 100, 6, 2, bell_type="III")
    butter = pf.dsp.filter.butterworth(impulse, 4, 2000, "highpass")
    for theirs, section in ((bell, Peaking(100.0, 6.0, 2.0)), (butter, HighPass(2000.0, 4, "butterworth"))):
        ours = FilterChain((section,)).response(frequency, 44100.0)
        theirs_h = theirs.freq[0, 1:-1] / np.abs(impulse.freq[0, 1:-1])
        assert np.max(np.abs(np.abs(ours) - np.abs(theirs_h))) < 1e-4, section
