"""The medium: speed of sound, density and absorption of air."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DesignError, message

_P_REF = 101325.0
_T_TRIPLE = 273.16
_T_REF = 293.15


@dataclass(frozen=True)
class Air:
    """Air at rest.

    Parameters
        speed_of_sound : float > 0, m/s
        density : float > 0, kg/m3
        temperature_c, pressure_pa, humidity : the state, degrees C, Pa, 0..1; used for absorption only
    Raises DesignError when a value is not finite or not positive.
    """

    speed_of_sound: float = 343.2
    density: float = 1.2041
    temperature_c: float = 20.0
    pressure_pa: float = 101325.0
    humidity: float = 0.5

    def __post_init__(self) -> None:
        for name in ("speed_of_sound", "density", "pressure_pa"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise DesignError(message(f"air.{name}", "finite and positive", value))

    @classmethod
    def at(cls, temperature_c: float = 20.0, pressure_pa: float = _P_REF, humidity: float = 0.5) -> Air:
        """Air at a temperature (degrees C), static pressure (Pa) and relative humidity (0..1).

        An ideal gas of dry air (molar mass 28.9647 g/mol, gamma 1.400) and water vapour (18.0153 g/mol, gamma 1.33);
        saturation pressure as in ISO 9613-1:1993, Annex B.
        Valid for: -20 ... 50 degrees C. Within 0.1 % of Cramer, JASA 93 (1993) 2510.
        Raises DesignError out of range.
        """
        if not (math.isfinite(temperature_c) and -20.0 <= temperature_c <= 50.0):
            raise DesignError(message("air.temperature", "-20 to 50 degC", f"{temperature_c} degC", fix="20 degC"))
        if not (math.isfinite(humidity) and 0.0 <= humidity <= 1.0):
            raise DesignError(message("air.humidity", "0 to 100 %", f"{100 * humidity} %", fix="50 %"))
        if not (math.isfinite(pressure_pa) and 3e4 <= pressure_pa <= 1.2e5):
            raise DesignError(message("air.pressure", "30 to 120 kPa", f"{pressure_pa} Pa", fix="101.325 kPa"))
        kelvin = temperature_c + 273.15
        x = _vapour_fraction(kelvin, pressure_pa, humidity)
        molar = 28.9647e-3 * (1 - x) + 18.0153e-3 * x
        # cp/R of a mixture is the mole-weighted mean of gamma/(gamma - 1)
        cp = 3.5 * (1 - x) + (1.33 / 0.33) * x
        gamma = cp / (cp - 1)
        gas = 8.314462618 / molar
        return cls(
            speed_of_sound=math.sqrt(gamma * gas * kelvin),
            density=pressure_pa / (gas * kelvin),
            temperature_c=temperature_c,
            pressure_pa=pressure_pa,
            humidity=humidity,
        )

    @property
    def impedance(self) -> float:
        """Characteristic impedance, Pa s/m."""
        return self.density * self.speed_of_sound

    def wavenumber(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """k = 2 pi f / c, rad/m; same shape as `frequency_hz`."""
        return 2 * np.pi * np.asarray(frequency_hz, float) / self.speed_of_sound

    def absorption_db_per_m(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Pure-tone atmospheric absorption, dB/m; same shape as `frequency_hz`.

        Source: ISO 9613-1:1993, equations (3) to (5) and Annex B.
        Example:
            >>> round(float(Air.at(20, 101325, 0.5).absorption_db_per_m(1000.0)) * 1000, 2)
            4.66
        """
        f = np.asarray(frequency_hz, float)
        kelvin = self.temperature_c + 273.15
        ratio, pressure = kelvin / _T_REF, self.pressure_pa / _P_REF
        h = 100 * _vapour_fraction(kelvin, self.pressure_pa, self.humidity)
        oxygen = pressure * (24 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
        nitrogen = pressure * ratio**-0.5 * (9 + 280 * h * math.exp(-4.170 * (ratio ** (-1 / 3) - 1)))
        classical = 1.84e-11 / pressure * math.sqrt(ratio)
        relaxing = ratio**-2.5 * (
            0.01275 * math.exp(-2239.1 / kelvin) / (oxygen + f**2 / oxygen)
            + 0.1068 * math.exp(-3352.0 / kelvin) / (nitrogen + f**2 / nitrogen)
        )
        result: NDArray[np.float64] = 8.686 * f**2 * (classical + relaxing)
        return result


def _vapour_fraction(kelvin: float, pressure_pa: float, humidity: float) -> float:
    """Molar fraction of water vapour, ISO 9613-1:1993 Annex B."""
    saturation: float = _P_REF * 10 ** (-6.8346 * (_T_TRIPLE / kelvin) ** 1.261 + 4.6151)
    return humidity * saturation / pressure_pa
