"""What this machine does just now: the unit that every figure is also given in."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass

import numpy as np
import psutil
from numba import njit, prange


@dataclass(frozen=True)
class Calibration:
    """Seconds of a fixed complex product, rate of a fixed kernel, and the load before they ran."""

    product_seconds: float
    kernel_per_second: float
    load: float
    cores: int


@njit(parallel=True, fastmath=True, cache=True)
def _kernel(points, k, out):
    """A fixed, simple sum of spherical waves: a yardstick, not the solver's own kernel."""
    for i in prange(len(points)):
        real = 0.0
        for j in range(len(points)):
            dx = points[i, 0] - points[j, 0] + 1e-3
            dy = points[i, 1] - points[j, 1]
            dz = points[i, 2] - points[j, 2]
            r = np.sqrt(dx * dx + dy * dy + dz * dz)
            real += np.cos(k * r) / r
        out[i] = real


def best(run, times=3):
    """Least of a few wall times, s."""
    found = []
    for _ in range(times):
        began = time.perf_counter()
        run()
        found.append(time.perf_counter() - began)
    return min(found)


def calibrate() -> Calibration:
    """Measure; takes some two seconds."""
    load = os.getloadavg()[0]
    rng = np.random.default_rng(0)
    a = (rng.standard_normal((1200, 1200)) + 1j * rng.standard_normal((1200, 1200))).astype(np.complex64)
    points = rng.standard_normal((3000, 3))
    out = np.empty(3000)
    _kernel(points[:10], 1.0, out[:10])
    return Calibration(best(lambda: a @ a), 9e6 / best(lambda: _kernel(points, 20.0, out)), load, os.cpu_count() or 1)


def memory_mb() -> float:
    """Largest resident memory of this process so far, MB."""
    import resource

    return max(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, psutil.Process().memory_info().rss / 2**20)
