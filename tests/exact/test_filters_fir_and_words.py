"""FIR filters, fractional delay, the integrator shelf and word lengths against closed forms and independent libraries."""

import control
import numpy as np
import pyfar
import pytest
from scipy import signal

from evenfield.base import DesignError
from evenfield.filters import Delay, FilterChain, HighPass, HighShelf, LowPass, LowShelf, Peaking
from evenfield.filters.fir import Fir, fir_from_magnitude, fractional_delay, minimum_phase, pre_ringing, thiran
from evenfield.filters.impulse import impulse_response
from evenfield.filters.sections import AllPass, IntegratorShelf, Notch
from evenfield.filters.word_length import check_word_length, quantised

F = np.geomspace(40, 18e3, 80)
RATE = 48e3
CHAIN = FilterChain((HighPass(80.0, 2, "butterworth"), Peaking(1000.0, 6.0, 2.0), LowPass(6000.0, 4)))


@pytest.mark.parametrize(
    ("section", "top", "bottom"),
    [
        (IntegratorShelf(200.0, 50.0), [1, 200], [1, 50]),
        (LowPass(1000.0, 2, "butterworth"), [1e6], [1, 2**0.5 * 1e3, 1e6]),
        (HighPass(1000.0, 2, "butterworth"), [1, 0, 0], [1, 2**0.5 * 1e3, 1e6]),
        (Notch(1000.0, 2.0), [1, 0, 1e6], [1, 500, 1e6]),
        (AllPass(1000.0, 2.0), [1, -500, 1e6], [1, 500, 1e6]),
        (Peaking(1000.0, 6.0206, 1.0), [1, 1e3 * 2**0.5, 1e6], [1, 1e3 / 2**0.5, 1e6]),
    ],
    ids=lambda s: getattr(s, "kind", ""),
)
def test_analogue_sections_against_python_control(section, top, bottom) -> None:  # type: ignore[no-untyped-def]
    """Judge: python-control's transfer function, s in units of 2 pi Hz."""
    system = control.tf(top, bottom)
    expected = np.asarray(system(1j * F)).ravel()
    assert np.allclose(FilterChain((section,)).response(F), expected, rtol=2e-5, atol=1e-9)


@pytest.mark.parametrize(
    ("section", "theirs"),
    [
        (Peaking(1000.0, -5.0, 1.5), lambda s: pyfar.dsp.filter.bell(s, 1000.0, -5.0, 1.5, "III", "tan")),
        (LowShelf(300.0, 6.0), lambda s: pyfar.dsp.filter.low_shelf(s, 300.0, 6.0, 2, shelf_type="III")),
        (HighShelf(5000.0, -6.0), lambda s: pyfar.dsp.filter.high_shelf(s, 5000.0, -6.0, 2, shelf_type="III")),
        (LowPass(2000.0, 5, "butterworth"), lambda s: pyfar.dsp.filter.butterworth(s, 5, 2000.0, "lowpass")),
        (HighPass(2000.0, 4, "butterworth"), lambda s: pyfar.dsp.filter.butterworth(s, 4, 2000.0, "highpass")),
    ],
    ids=lambda s: getattr(s, "kind", ""),
)
def test_digital_sections_against_pyfar(section, theirs) -> None:  # type: ignore[no-untyped-def]
    """Judge: pyfar.dsp.filter at 48 kHz, level at every bin from 40 Hz to 18 kHz."""
    out = theirs(pyfar.signals.impulse(2**15, sampling_rate=RATE))
    bins = (out.frequencies > 40) & (out.frequencies < 18e3)
    ours = FilterChain((section,)).response(out.frequencies[bins], RATE)
    assert np.max(np.abs(20 * np.log10(np.abs(ours) / np.abs(out.freq[0, bins])))) < 0.02


def test_linkwitz_riley_crossover_against_pyfar() -> None:
    """Judge: pyfar.dsp.filter.crossover of order 4 at 2 kHz: both branches and their all-pass sum."""
    out = pyfar.dsp.filter.crossover(pyfar.signals.impulse(2**14, sampling_rate=RATE), 4, 2000.0)
    bins = (out.frequencies > 40) & (out.frequencies < 18e3)
    f = out.frequencies[bins]
    low, high = (FilterChain((kind(2000.0, 4),)).response(f, RATE) for kind in (LowPass, HighPass))
    assert np.allclose(np.abs(low), np.abs(out.freq[0, 0, bins]), atol=1e-4)
    assert np.allclose(np.abs(high), np.abs(out.freq[1, 0, bins]), atol=1e-4)
    assert np.allclose(np.abs(low + high), 1, atol=1e-9)


def test_minimum_phase_by_the_hilbert_relation() -> None:
    """A biquad cascade with zeros inside the unit circle is minimum phase: its own phase is the judge."""
    size = 1 << 14
    grid = np.fft.rfftfreq(size, 1 / RATE)
    chain = FilterChain((Peaking(1000.0, 6.0, 2.0), LowShelf(200.0, -5.0), HighShelf(7000.0, 4.0)))
    h = np.append(chain.response(grid[:-1], RATE), abs(chain.response([RATE / 2 - 1e-3], RATE)[0]))
    found = minimum_phase(np.log(np.abs(h)), size)
    assert np.max(np.abs(found - np.unwrap(np.angle(h)))[5:-20]) < 1e-4


@pytest.mark.parametrize("phase", ["linear", "minimum", "mixed"])
def test_fir_follows_the_magnitude_and_its_phase(phase: str) -> None:
    chain = FilterChain((Peaking(2000.0, 6.0, 1.0), HighShelf(6000.0, -4.0)))
    axis = np.geomspace(10, 23.9e3, 600)
    fir = fir_from_magnitude(axis, np.abs(chain.response(axis, RATE)), RATE, 1023, phase)  # type: ignore[arg-type]
    found = FilterChain((fir,)).response(F, RATE)
    exact = chain.response(F, RATE)
    heard = F > 200
    assert np.max(np.abs(20 * np.log10(np.abs(found / exact)))[heard]) < 0.1
    late = {"linear": 511, "minimum": 0, "mixed": 255.5}[phase]
    share = {"linear": 0, "minimum": 1, "mixed": 0.5}[phase]
    rest = found * np.exp(2j * np.pi * F * late / RATE) / np.exp(1j * share * np.angle(exact))
    assert np.max(np.abs(np.angle(rest))[heard]) < 0.02


def test_minimum_phase_fir_agrees_with_scipy() -> None:
    """Judge: scipy.signal.minimum_phase(half=False) of the linear-phase filter, level."""
    axis = np.geomspace(10, 23.9e3, 400)
    level = np.abs(FilterChain((Peaking(2000.0, 6.0, 1.0),)).response(axis, RATE))
    linear = fir_from_magnitude(axis, level, RATE, 511, "linear")
    ours = fir_from_magnitude(axis, level, RATE, 511, "minimum")
    theirs = signal.minimum_phase(np.array(linear.taps), method="homomorphic", half=False)
    wanted = np.abs(signal.freqz(theirs, worN=F, fs=RATE)[1])
    assert np.max(np.abs(20 * np.log10(np.abs(FilterChain((ours,)).response(F)) / wanted))[F > 300]) < 0.05


def test_pre_ringing_falls_from_linear_to_minimum() -> None:
    axis = np.geomspace(10, 23.9e3, 400)
    level = np.abs(FilterChain((LowPass(2000.0, 8, "butterworth"),)).response(axis)) + 1e-4
    measures = [pre_ringing(fir_from_magnitude(axis, level, RATE, 1023, p).taps, RATE) for p in ("linear", "mixed", "minimum")]  # type: ignore[arg-type]
    assert measures[0].energy_db > measures[2].energy_db + 3
    assert measures[0].longest_s > measures[1].longest_s > measures[2].longest_s


def test_lagrange_delay_closed_form() -> None:
    """Third order: h0 = -(D-1)(D-2)(D-3)/6 and so on. Source: Laakso et al. 1996, table 1 (from memory)."""
    d = 1.3
    expected = [
        -(d - 1) * (d - 2) * (d - 3) / 6,
        d * (d - 2) * (d - 3) / 2,
        -d * (d - 1) * (d - 3) / 2,
        d * (d - 1) * (d - 2) / 6,
    ]
    assert np.allclose(fractional_delay(d, 4).taps, expected, rtol=1e-12)
    long = FilterChain((fractional_delay(7.5, 16, RATE),)).response(F[F < 12e3], RATE)
    assert np.max(np.abs(long - np.exp(-2j * np.pi * F[F < 12e3] * 7.5 / RATE))) < 0.02


def test_thiran_first_order_and_its_delay() -> None:
    """a1 = (1 - D)/(1 + D). Source: Thiran 1971; Laakso et al. 1996."""
    assert thiran(1.3, 1)[1] == pytest.approx((1 - 1.3) / (1 + 1.3))
    a = thiran(3.4, 3)
    _, delay = signal.group_delay((a[::-1], a), w=np.array([1e-3, 0.05]))
    assert np.allclose(delay, 3.4, atol=1e-4)
    with pytest.raises(DesignError, match="unstable"):
        thiran(1.5, 3)


def test_impulse_response_is_the_transform_of_the_response() -> None:
    chain = FilterChain((*CHAIN.sections, Delay(20.4 / RATE)))
    h = impulse_response(chain, RATE, 8192)
    found = np.fft.rfft(h)
    grid = np.fft.rfftfreq(8192, 1 / RATE)
    keep = (grid > 60) & (grid < 12e3)
    assert np.max(np.abs(found[keep] - chain.response(grid[keep], RATE))) < 5e-3
    numeric = -np.diff(np.unwrap(np.angle(found[keep]))) / (2 * np.pi * grid[1])
    bare = FilterChain(CHAIN.sections).response(grid[keep], RATE)
    expected = 20.4 / RATE - np.diff(np.unwrap(np.angle(bare))) / (2 * np.pi * grid[1])
    assert np.max(np.abs(numeric - expected)[:-1]) < 2e-6


def test_quantisation_error_halves_with_every_bit() -> None:
    """Response error of a high-Q low bell falls by about 6 dB a bit: 8 bits more, 100 to 600 times less."""
    chain = FilterChain((Peaking(200.0, 6.0, 3.0), Peaking(900.0, -4.0, 5.0)))
    errors = [check_word_length(chain, RATE, 24, bits).response_error_db for bits in (20, 28)]
    assert 50 < errors[0] / errors[1] < 2000
    assert errors[1] < 0.01


def test_noise_of_one_pole_in_closed_form() -> None:
    """y = x + c y1, one rounding: noise step^2/12 / (1 - c^2). Source: Jackson 1970."""
    from evenfield.filters.word_length import _noise

    row = np.array([[1.0, 0, 0, 1.0, -0.9, 0]])
    assert _noise(row, 2.0**-15, "direct-1") == pytest.approx(2.0**-30 / 12 / (1 - 0.81), rel=1e-9)


def test_overflow_is_found_where_it_stands() -> None:
    check = check_word_length(FilterChain((Peaking(1000.0, 12.0, 2.0), Peaking(1000.0, -12.0, 2.0))), RATE)
    assert check.overflow_at == 0
    assert check.overflow_db == pytest.approx(12.0, abs=0.05)
    assert check.worst_case_db > check.overflow_db


def test_bad_words_and_taps() -> None:
    with pytest.raises(DesignError, match="overflows"):
        quantised(np.array([[9.0, 0, 0, 1, 0, 0]]), 16, 2)
    with pytest.raises(DesignError, match="stable"):
        quantised(np.array([[1.0, 0, 0, 1, -1.9999, 0.99995]]), 8, 2)
    fir = FilterChain((Fir((1.0, 0.5), 48e3),))
    with pytest.raises(DesignError, match="rate of the FIR"):
        fir.response([100.0], 44.1e3)
    with pytest.raises(DesignError, match="half the sample rate"):
        fir.response([30e3])
    with pytest.raises(DesignError, match="causal"):
        impulse_response(FilterChain((Delay(2.5 / RATE),)), RATE)
