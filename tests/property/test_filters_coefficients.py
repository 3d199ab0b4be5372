"""Coefficient files: round trips in every format, sign conventions, sample rates."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenfield.base import DataError, DesignError
from evenfield.filters import Delay, FilterChain, Gain, HighPass, HighShelf, LowPass, Peaking, Polarity
from evenfield.filters.coefficients import (
    Coefficients,
    read_coefficients,
    read_measured_filter,
    read_wav,
    to_csv,
    write_coefficients,
)
from evenfield.filters.fir import Fir

RATE = 48e3
F = np.geomspace(30, 20e3, 50)
CHAINS = {
    "woofer": FilterChain(
        (Gain(-2.0), Delay(1.3e-4), HighPass(40.0, 2, "butterworth"), Peaking(900.0, -4.0, 2.0), LowPass(2000.0, 4))
    ),
    "tweeter": FilterChain((Gain(-9.0), Polarity(), HighPass(2000.0, 4), HighShelf(9000.0, 4.0))),
}


@pytest.mark.parametrize("suffix", [".csv", ".json", ".h"])
def test_round_trip_is_exact(tmp_path: Path, suffix: str) -> None:
    path = write_coefficients(tmp_path / f"filters{suffix}", CHAINS, RATE)
    back = read_coefficients(path)
    assert back.sample_rate == RATE
    text = path.read_text(encoding="utf-8")
    assert "subtracted" in text and "48000" in text and "a0 = 1" in text
    for name, chain in CHAINS.items():
        assert np.array_equal(back.channels[name].biquads, chain.sections_as_biquads(RATE))
        assert np.allclose(back.response(name, F), chain.response(F, RATE), rtol=1e-9)


@settings(max_examples=15, deadline=None)
@given(st.floats(40, 15e3), st.floats(-12, 12), st.floats(0.3, 8), st.floats(0, 1e-3))
def test_any_section_survives_csv(f0: float, gain: float, q: float, late: float) -> None:
    import tempfile

    chain = {"way": FilterChain((Peaking(f0, gain, q), Delay(late)))}
    with tempfile.TemporaryDirectory() as folder:
        back = read_coefficients(write_coefficients(Path(folder) / "a.csv", chain, RATE))
    assert np.allclose(back.response("way", F), chain["way"].response(F, RATE), rtol=1e-9)


def test_wav_holds_the_response(tmp_path: Path) -> None:
    path = write_coefficients(
        tmp_path / "filters.wav", {"tweeter": CHAINS["tweeter"], "fir": FilterChain((Fir((0.5, 0.25), RATE),))}, RATE, 4096
    )
    taps, rate = read_wav(path, RATE)
    assert rate == RATE and taps.shape == (2, 4096)
    assert taps[1, :3].tolist() == [0.5, 0.25, 0.0]
    h = np.fft.rfft(taps[0])
    grid = np.fft.rfftfreq(4096, 1 / RATE)[5:-5]
    assert np.allclose(h[5:-5], CHAINS["tweeter"].response(grid, RATE), atol=1e-6)
    with pytest.raises(DataError, match="rate"):
        read_wav(path, 44.1e3)


def other_sign(text: str, head: bool) -> str:
    """The same table with a1 and a2 negated, with or without its head."""
    lines = []
    for line in text.splitlines():
        cells = line.split(",")
        if line.startswith("#"):
            lines += [line] if head else []
        elif cells[0] == "way":
            lines.append(line)
        else:
            lines.append(",".join([*cells[:5], *(repr(-float(c)) for c in cells[5:])]))
    return "\n".join(lines) + "\n"


def test_the_other_sign_convention_is_found_and_asked_about(tmp_path: Path) -> None:
    plain = to_csv(Coefficients.of(CHAINS, RATE))
    path = tmp_path / "other.csv"
    path.write_text(other_sign(plain, head=False), encoding="utf-8")
    with pytest.raises(DataError, match="only feedback added makes it stable"):
        read_coefficients(path, sample_rate=RATE)
    back = read_coefficients(path, feedback="added", sample_rate=RATE)
    assert np.allclose(back.channels["woofer"].biquads, CHAINS["woofer"].sections_as_biquads(RATE))
    path.write_text(other_sign(plain, head=True), encoding="utf-8")
    with pytest.raises(DataError, match="has the other sign convention"):
        read_coefficients(path)
    path.write_text("way,biquad,b0,b1,b2,a1,a2\nx,0,1,0,0,-0.1,0\n", encoding="utf-8")
    with pytest.raises(DataError, match="both would be stable"):
        read_coefficients(path, sample_rate=RATE)
    path.write_text("way,biquad,b0,b1,b2,a1,a2\nx,0,1,0,0,-3,2.5\n", encoding="utf-8")
    with pytest.raises(DataError, match="neither is stable"):
        read_coefficients(path, sample_rate=RATE)


def test_unnormalised_rows_are_divided_by_a0(tmp_path: Path) -> None:
    path = tmp_path / "a0.csv"
    path.write_text("way,b0,b1,b2,a0,a1,a2\nx,2,0,0,2,-3.6,1.7\n", encoding="utf-8")
    back = read_coefficients(path, sample_rate=RATE)
    assert back.channels["x"].biquads.tolist() == [[1, 0, 0, 1, -1.8, 0.85]]


def test_rates_and_damage(tmp_path: Path) -> None:
    path = write_coefficients(tmp_path / "a.json", CHAINS, RATE)
    with pytest.raises(DataError, match="processor's"):
        read_coefficients(path).require_rate(96e3)
    tree = json.loads(path.read_text(encoding="utf-8"))
    del tree["sample_rate_hz"]
    path.write_text(json.dumps(tree), encoding="utf-8")
    with pytest.raises(DataError, match="sample_rate"):
        read_coefficients(path)
    path.write_text("{", encoding="utf-8")
    with pytest.raises(DataError, match="biquads"):
        read_coefficients(path)
    (tmp_path / "b.csv").write_text("way,b0,b1,b2,a1,a2\nx,1,0,zero,0,0\n", encoding="utf-8")
    with pytest.raises(DataError, match="row 1"):
        read_coefficients(tmp_path / "b.csv", sample_rate=RATE)
    with pytest.raises(DesignError, match="suffix"):
        write_coefficients(tmp_path / "a.txt", CHAINS, RATE)
    with pytest.raises(DesignError, match="FIR"):
        write_coefficients(tmp_path / "a.csv", {"x": FilterChain((Fir((1.0,), RATE),))}, RATE)
    with pytest.raises(DesignError, match="half the sample rate"):
        write_coefficients(tmp_path / "a.csv", CHAINS, 3000.0)
    assert not (tmp_path / "a.csv").exists()


def test_a_measured_filter_comes_in(tmp_path: Path) -> None:
    h = CHAINS["tweeter"].response(F)
    rows = "\n".join(f"{f},{20 * np.log10(abs(v))},{np.degrees(np.angle(v))}" for f, v in zip(F, h, strict=True))
    path = tmp_path / "measured.csv"
    path.write_text(f"# e^{{+jwt}}\nFrequency (Hz),Level (dB),Phase (deg)\n{rows}\n", encoding="utf-8")
    f, found = read_measured_filter(path)
    assert np.allclose(f, F) and np.allclose(found, h, rtol=1e-9)
    path.write_text("f,dB\n1,2\n", encoding="utf-8")
    with pytest.raises(DataError, match="columns"):
        read_measured_filter(path)
