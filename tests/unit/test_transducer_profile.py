"""Velocity profiles: area, interpolation, files; tolerance spread."""

import math

import numpy as np
import pytest

from evenfield.base import Air, DataError, DesignError
from evenfield.transducer import (
    CompressionDriver,
    Driver,
    DriverPart,
    VelocityProfile,
    solve_network,
    spread_band,
    vary_driver,
)

AIR = Air()
DRIVER = Driver.from_parameters(re=5.6, fs=58.0, qms=4.5, bl=5.0, mms=6.4e-3, sd=55e-4, le=0.3e-3, xmax=4e-3)


def test_tapered_profile_area_by_closed_form() -> None:
    """Frustum: pi (a^2 + a b + b^2/3); from_area inverts it."""
    a, b = 0.035, 0.008
    profile = VelocityProfile.tapered(a, b, 4500.0)
    assert profile.effective_area(100.0)[0] == pytest.approx(math.pi * (a * a + a * b + b * b / 3), rel=1e-12)
    assert VelocityProfile.from_area(55e-4, 7e-3).effective_area(50.0)[0] == pytest.approx(55e-4, rel=1e-12)
    assert VelocityProfile.rigid(0.05).effective_area(50.0)[0] == pytest.approx(math.pi * 0.05**2)
    weight = profile.at([0.0, 0.035, 0.039, 0.043, 0.05], [100.0])
    assert np.allclose(weight[:, 0], [1, 1, 0.5, 0, 0])
    assert np.allclose(VelocityProfile.rigid(0.05).at([0.05, 0.0501], [100.0])[:, 0], [1, 0])
    assert profile.rigid_mark([1000.0, 5000.0]).tolist() == [False, True]


def test_area_against_sd() -> None:
    profile = VelocityProfile.tapered(0.038, 0.007)
    profile.check_area(55e-4)
    with pytest.raises(DesignError, match="different diaphragms") as caught:
        profile.check_area(75e-4, key="ways.woofer.driver")
    assert caught.value.key == "ways.woofer.driver.sd"


def test_profile_from_file(tmp_path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "cone.csv"
    rows = ["# laser scan", "radius_mm,frequency_hz,magnitude,phase_deg"]
    for f, outer in ((1000, 1.0), (4000, 0.5)):
        rows += [f"{r},{f},{1.0 if r < 40 else outer},{0 if f == 1000 else 90}" for r in (0, 20, 40)]
    path.write_text("\n".join(rows), encoding="utf-8")
    profile = VelocityProfile.read_csv(path)
    assert profile.at([0.02], [1000.0])[0, 0] == pytest.approx(1)
    assert profile.at([0.03], [4000.0])[0, 0] == pytest.approx(0.75j)
    assert profile.at([0.01], [2000.0])[0, 0] == pytest.approx(0.5 + 0.5j)
    assert profile.at([0.01], [20.0])[0, 0] == pytest.approx(1)
    assert not profile.rigid_mark([20e3])[0]
    # 2 pi int over 0..20 mm of 1 and 20..40 mm of 1 falling to 0.5
    exact = 2 * math.pi * (0.02**2 / 2 + 0.02 / 6 * (1 * 0.08 + 0.5 * 0.1))
    assert profile.effective_area(4000.0)[0] == pytest.approx(1j * exact, rel=1e-12)
    with pytest.raises(DesignError, match="end of the velocity profile"):
        profile.at([0.01], [5000.0])
    path.write_text("\n".join(rows[:-1]), encoding="utf-8")
    with pytest.raises(DataError, match="1 missing, the first at 40 mm and 4000 Hz"):
        VelocityProfile.read_csv(path)
    path.write_text("\n".join([*rows, "50,4000,one,0"]), encoding="utf-8")
    with pytest.raises(DataError, match="row 7"):
        VelocityProfile.read_csv(path)
    path.write_text("r,f\n1,2", encoding="utf-8")
    with pytest.raises(DataError, match="radius_mm"):
        VelocityProfile.read_csv(path)
    with pytest.raises(DataError, match="readable"):
        VelocityProfile.read_csv(tmp_path / "none.csv")


def test_bad_profiles() -> None:
    for radius, frequency in (([0.0, 0.0], [1.0]), ([0.0, 1.0], [2.0, 1.0]), ([0.0, 1.0, 2.0], [1.0])):
        with pytest.raises(DataError):
            VelocityProfile(np.array(radius), np.ones((2, 1), complex), np.array(frequency))
    with pytest.raises(DesignError, match="surround_width"):
        VelocityProfile.from_area(1e-4, 0.02)
    with pytest.raises(DesignError, match="cone_radius"):
        VelocityProfile.tapered(-1.0, 0.0)


def test_variants_stay_within_their_tolerances_and_fill_them() -> None:
    limits = {"Fs": 0.10, "Bl": 0.05, "Re": 0.03, "Mms": 0.03, "Le": 0.2, "Xmax": 0.1}
    rng = np.random.default_rng(3)
    nominal = DRIVER.parameters(AIR)
    ratio = []
    for _ in range(200):
        d = vary_driver(DRIVER, limits, rng, AIR)
        assert isinstance(d, Driver)
        p = d.parameters(AIR)
        ratio.append([p[n] / nominal[n] - 1 for n in limits])
        assert p["Sd"] == pytest.approx(55e-4) and p["Rms"] == pytest.approx(nominal["Rms"])
    bound = np.array(list(limits.values()))
    for side in (np.max(ratio, axis=0), -np.min(ratio, axis=0)):
        assert np.all(side <= bound * (1 + 1e-9)) and np.all(side > 0.9 * bound)


def test_variants_of_derived_parameters() -> None:
    """Qts and Qms drawn: Qes follows; a tolerance on a derived name is not drawn twice; a compression driver keeps its kind."""
    rng = np.random.default_rng(1)
    nominal = DRIVER.parameters(AIR)
    d = vary_driver(DRIVER, {"Qts": 0.05, "Qms": 0.1, "Qes": 0.5}, rng, AIR)
    p = d.parameters(AIR)  # type: ignore[union-attr]
    assert abs(p["Qts"] / nominal["Qts"] - 1) <= 0.05 and abs(p["Qms"] / nominal["Qms"] - 1) <= 0.1
    assert p["Qes"] == pytest.approx(1 / (1 / p["Qts"] - 1 / p["Qms"]))
    horn = CompressionDriver(DRIVER, 5e-4, 1e-6)
    varied = vary_driver(horn, {"Bl": 0.1}, rng, AIR)
    assert isinstance(varied, CompressionDriver) and varied.driver.bl != DRIVER.bl and varied.throat_area == 5e-4
    for bad in ({"Zz": 0.1}, {"Bl": 2.0}, {"Bl": math.nan}):
        with pytest.raises(DesignError):
            vary_driver(DRIVER, bad, rng)


def test_band_of_the_impedance() -> None:
    """The band holds the nominal curve, repeats with its seed, and at 5 Hz is that of Re alone (± 3 %)."""
    f = np.array([5.0, 58.0, 1000.0])

    def magnitude(drivers):  # type: ignore[no-untyped-def]
        return np.abs(solve_network(f, [DriverPart("c", drivers["w"], "w")], np.zeros((1, 1, 3)), air=AIR).impedance[0])

    limits = {"w": {"Re": 0.03, "Bl": 0.05}}
    band = spread_band(magnitude, {"w": DRIVER}, limits, samples=200, seed=4)
    again = spread_band(magnitude, {"w": DRIVER}, limits, samples=200, seed=4)
    assert np.array_equal(band.samples, again.samples) and band.samples.shape == (200, 3)
    assert np.all(band.low <= band.nominal) and np.all(band.nominal <= band.high)
    assert band.high[0] / band.nominal[0] - 1 == pytest.approx(0.03, abs=0.003)
    assert band.high[1] / band.nominal[1] - 1 > 0.06
    with pytest.raises(DesignError, match="tolerances"):
        spread_band(magnitude, {"w": DRIVER}, {"x": {}})
