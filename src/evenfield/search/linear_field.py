"""The sound of a shape as a linear function of its dimensions around a solved one, kept true by what is solved later."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.search.shape_field import Field

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

STEP = 4e-3
"""Of a dimension's range; the step of the differences."""


@dataclass
class LinearField:
    """Fields and impedances around one place, complex; levels and widths follow from them as exactly as from solved ones.

    Parameters
        share : (N,) the place
        far, impedance : (P, D, F), (P, P, F) there
        far_slope, impedance_slope : (N, P, D, F), (N, P, P, F) per share
    """

    share: Array
    far: Complex
    impedance: Complex
    far_slope: Complex
    impedance_slope: Complex

    def at(self, share: Array) -> tuple[Complex, Complex]:
        """Far fields and impedances elsewhere."""
        move = share - self.share
        return (
            self.far + np.tensordot(move, self.far_slope, 1),
            self.impedance + np.tensordot(move, self.impedance_slope, 1),
        )

    def pull(self, far_bar: Complex, impedance_bar: Complex) -> Array:
        """(N,) derivative by the shares of what has these derivatives by fields and impedances."""
        count = len(self.far_slope)
        by_far = self.far_slope.reshape(count, -1) @ np.conj(far_bar).ravel()
        by_load = self.impedance_slope.reshape(count, -1) @ np.conj(impedance_bar).ravel()
        return np.asarray((by_far + by_load).real)

    def moved(self, share: Array, far: Complex, impedance: Complex) -> LinearField:
        """The same around another solved place, its slopes mended by what was found there: Broyden's update, the least change of
        them that agrees. Source: C. G. Broyden, Math. Comp. 19 (1965) 577 (citation from memory).
        """
        move = share - self.share
        length = float(move @ move)
        if length == 0:
            return LinearField(share, far, impedance, self.far_slope, self.impedance_slope)
        wrong, load_wrong = (a - b for a, b in zip((far, impedance), self.at(share), strict=True))
        turn = (move / length)[:, None, None, None]
        return LinearField(share, far, impedance, self.far_slope + turn * wrong, self.impedance_slope + turn * load_wrong)

    def mended(self, share: Array, far: Complex, impedance: Complex) -> LinearField:
        """Around the same place, with what was found at another."""
        other = self.moved(share, far, impedance)
        return LinearField(self.share, self.far, self.impedance, other.far_slope, other.impedance_slope)


def differences(
    share: Array, here: Field, solve: Callable[[Array], Field | None], base: Field | None = None, step: float = STEP
) -> LinearField:
    """The slopes by one solve for each dimension, into the box.

    Parameters
        share : (N,) the place; here : its field, which the linear one takes
        solve : field at other shares on the same meshes, None where the body cannot be
        base : field at `share` on the meshes of `solve`, where these are others than `here`'s
    """
    base = base or here
    far, load = [], []
    for n in range(len(share)):
        for sign in (1.0, -1.0) if share[n] < 0.5 else (-1.0, 1.0):
            place = share.copy()
            place[n] += sign * step
            found = solve(place)
            if found is not None:
                far.append((found.far - base.far) / (sign * step))
                load.append((found.impedance - base.impedance) / (sign * step))
                break
        else:
            far.append(np.zeros_like(base.far))
            load.append(np.zeros_like(base.impedance))
    return LinearField(share, here.far, here.impedance, np.stack(far), np.stack(load))


__all__ = ["STEP", "LinearField", "differences"]
