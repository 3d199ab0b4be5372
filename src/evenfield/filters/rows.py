"""Rows: first- and second-order factors, analogue or digital, and what they do to a sine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rows:
    """Analogue factors (b0 + b1 x + b2 x2) / (a0 + a1 x + a2 x2) with x = s / (2 pi frequency).

    Parameters
        b, a : (K, 3) float, ascending powers; b2 = a2 = 0 marks a first-order factor
        frequency : (K,) float, Hz; the reference, at which the bilinear transform is exact
    """

    b: Array
    a: Array
    frequency: Array

    @classmethod
    def build(cls, b: list[tuple[float, float, float]], a: list[tuple[float, float, float]], frequency: float) -> Rows:
        """Rows with one common reference frequency, Hz."""
        shape = (len(b), 3)
        return cls(np.reshape(np.array(b, float), shape), np.reshape(np.array(a, float), shape), np.full(len(b), frequency))

    @classmethod
    def join(cls, several: list[Rows]) -> Rows:
        """All rows of all members, in order."""
        if not several:
            return cls.build([], [], 1.0)
        return cls(
            np.concatenate([r.b for r in several]),
            np.concatenate([r.a for r in several]),
            np.concatenate([r.frequency for r in several]),
        )

    def response(self, frequency_hz: Array) -> NDArray[np.complex128]:
        """(F,) product of all rows at s = j 2 pi f."""
        scale = self.frequency[:, None] ** -np.arange(3.0)
        jf = 1j * frequency_hz
        basis = np.stack([np.ones_like(jf), jf, jf * jf])
        return _product(self.b * scale, self.a * scale, basis)

    def biquads(self, sample_rate: float) -> Array:
        """(K, 6) digital b0 b1 b2 a0=1 a1 a2 in powers of z^-1, by the bilinear transform prewarped at `frequency`.

        x -> cot(pi f / fs) (1 - z^-1) / (1 + z^-1); a first-order row stays first order (b2 = a2 = 0).
        Source: R. Bristow-Johnson, "Audio EQ Cookbook" (W3C Note, 2021), which makes the same substitution.
        """
        k = 1 / np.tan(np.pi * self.frequency / sample_rate)
        digital = np.concatenate([_substitute(self.b, k), _substitute(self.a, k)], axis=1)
        first = (self.a[:, 2] == 0) & (self.b[:, 2] == 0)
        if np.any(first):
            digital[first] = np.concatenate(
                [_substitute_first(self.b[first], k[first]), _substitute_first(self.a[first], k[first])], axis=1
            )
        return np.asarray(digital / digital[:, 3:4])


def digital_response(biquads: Array, frequency_hz: Array, sample_rate: float) -> NDArray[np.complex128]:
    """(F,) product of (K, 6) biquads at z = e^{j 2 pi f / fs}."""
    z = np.exp(-2j * np.pi * frequency_hz / sample_rate)
    return _product(biquads[:, :3], biquads[:, 3:], np.stack([np.ones_like(z), z, z * z]))


def _product(b: Array, a: Array, basis: NDArray[np.complex128]) -> NDArray[np.complex128]:
    # divided row by row: the product of forty numerators alone can overflow
    return np.asarray(np.prod((b @ basis) / (a @ basis), axis=0))


def _substitute(c: Array, k: Array) -> Array:
    low, mid, high = c[:, 0], c[:, 1] * k, c[:, 2] * k * k
    return np.stack([low + mid + high, 2 * (low - high), low - mid + high], axis=1)


def _substitute_first(c: Array, k: Array) -> Array:
    return np.stack([c[:, 0] + c[:, 1] * k, c[:, 0] - c[:, 1] * k, np.zeros_like(k)], axis=1)
