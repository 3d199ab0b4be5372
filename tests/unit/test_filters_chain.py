"""Filter chains: broadband parts, bad input, stability, export."""

import numpy as np
import pytest

from evenfield.base import DesignError
from evenfield.filters import SECTIONS, Delay, FilterChain, Gain, HighPass, LowPass, Peaking, Polarity, make_section
from evenfield.filters.chain import check_stable

F = np.geomspace(20, 20e3, 61)


def test_gain_polarity_and_delay_multiply() -> None:
    chain = FilterChain((Gain(-6.0), Polarity(), Delay(1e-3), Delay(2e-3)))
    expected = -(10 ** (-6 / 20)) * np.exp(-2j * np.pi * F * 3e-3)
    assert np.allclose(chain.response(F), expected, rtol=0, atol=1e-12)
    assert np.allclose(chain.response(F, 48e3), expected, rtol=0, atol=1e-12)


def test_an_empty_chain_passes_everything() -> None:
    assert np.array_equal(FilterChain().response(F), np.ones(len(F)))
    assert FilterChain().sections_as_biquads(48e3).tolist() == [[1, 0, 0, 1, 0, 0]]


def test_forty_sections_do_not_overflow() -> None:
    chain = FilterChain(tuple(Peaking(20.0, 3.0, 5.0) for _ in range(40)))
    assert np.all(np.isfinite(chain.response([1e6])))
    assert abs(chain.response([20.0])[0]) == pytest.approx(10**6)


@pytest.mark.parametrize(
    ("build", "word"),
    [
        (lambda: LowPass(1000.0, 3, "linkwitz-riley"), "even"),
        (lambda: LowPass(1000.0, 0, "butterworth"), "order"),
        (lambda: LowPass(1000.0, 4, "elliptic"), "family"),  # type: ignore[arg-type]
        (lambda: HighPass(-1.0), "frequency"),
        (lambda: HighPass(float("nan")), "frequency"),
        (lambda: Peaking(100.0, 3.0, 0.0), "q"),
        (lambda: Peaking(100.0, float("inf"), 1.0), "gain_db"),
        (lambda: Gain(500.0), "gain_db"),
        (lambda: Delay(-1e-3), "future"),
        (lambda: FilterChain(("low-pass",)), "section"),  # type: ignore[arg-type]
        (lambda: FilterChain((LowPass(30e3),)).sections_as_biquads(48e3), r"filters\[0\]"),
        (lambda: FilterChain((LowPass(1e3),)).response([30e3], 48e3), "half the sample rate"),
        (lambda: FilterChain((LowPass(1e3),)).response([np.nan]), "finite"),
        (lambda: FilterChain().response(F, 0.0), "sample_rate"),
    ],
)
def test_bad_input_is_refused(build, word) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(DesignError, match=word):
        build()


def test_an_unstable_biquad_is_refused() -> None:
    # 0.1 Hz of Q 100 at a sample rate of 1e15 Hz: the pole rounds onto the unit circle
    with pytest.raises(DesignError, match="stable"):
        FilterChain((Peaking(0.1, -6.0, 100.0),)).sections_as_biquads(1e15)


def test_the_stability_triangle() -> None:
    """Poles of radius 0.999 pass, of 1.001 do not, real or complex."""
    for radius, good in ((0.999, True), (1.001, False)):
        for poles in ([radius, 0.2], [-radius, 0.2], radius * np.exp([1j, -1j])):
            row = np.concatenate([[1.0, 0, 0], np.real(np.poly(poles))])[None]
            if good:
                check_stable(row, "chain", 48e3)
            else:
                with pytest.raises(DesignError, match="stable"):
                    check_stable(row, "chain", 48e3)


def test_sections_by_name_carry_the_key() -> None:
    assert make_section("peaking", frequency=2000.0, gain_db=-2.0, q=3.0) == Peaking(2000.0, -2.0, 3.0)
    assert set(SECTIONS) >= {"gain", "polarity", "delay", "low-pass", "high-pass", "peaking", "low-shelf", "high-shelf"}
    for kind, values, word in [
        ("peeking", {}, "peaking"),
        ("peaking", {"frequency": 100.0, "gain_db": 1.0}, "q"),
        ("peaking", {"frequency": 100.0, "gain_db": 1.0, "q": 1.0, "width": 1}, "width"),
        ("low-pass", {"frequency": -5.0}, "frequency"),
    ]:
        with pytest.raises(DesignError, match=word) as caught:
            make_section(kind, key="ways.woofer.filters[2]", **values)
        assert caught.value.key == "ways.woofer.filters[2]"


def test_the_biquads_run_as_a_filter() -> None:
    """scipy.signal.sosfilt on an impulse, transformed, equals the stated digital response (gain in the first row)."""
    from scipy.signal import sosfilt

    chain = FilterChain((HighPass(500.0, 3, "butterworth"), Peaking(3000.0, 5.0, 2.0), Gain(-4.0), Polarity()))
    impulse = np.zeros(8192)
    impulse[0] = 1
    output = np.fft.rfft(sosfilt(chain.sections_as_biquads(48e3), impulse))
    frequency = np.fft.rfftfreq(8192, 1 / 48e3)[:-1]
    assert np.allclose(output[:-1], chain.response(frequency, 48e3), rtol=0, atol=1e-9)
