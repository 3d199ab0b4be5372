"""Transfer functions from impulse responses."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import DataError, message


def transfer_of(
    impulse: NDArray[np.float64], sample_rate_hz: float, delay_samples: ArrayLike = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Transfer functions of impulse responses, e^{+jwt}.

    Parameters
        impulse : (D, N) float, unit per volt and sample
        sample_rate_hz : float > 0
        delay_samples : (D,) or scalar, a delay kept beside the samples
    Returns
        frequency : (N // 2,) Hz, the bins of the discrete Fourier transform above 0
        transfer : (D, N // 2) complex
    The lowest frequency, sample rate / N, is what the length of the responses supports; below it nothing is given.
    Raises DataError when the rate is not positive or a response is shorter than 8 samples.
    """
    h = np.atleast_2d(np.asarray(impulse, float))
    if not (np.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        raise DataError(message("the sample rate", "positive", f"{sample_rate_hz} Hz"))
    if h.shape[1] < 8:
        raise DataError(message("an impulse response", "at least 8 samples long", h.shape[1]))
    bad = np.argwhere(~np.isfinite(h))
    if len(bad):
        where = f"response {bad[0][0]}, sample {bad[0][1]}; {len(bad)} such values"
        raise DataError(message("impulse responses", "finite", h[tuple(bad[0])], where=where))
    frequency = np.fft.rfftfreq(h.shape[1], 1 / sample_rate_hz)[1:]
    delay = np.broadcast_to(np.asarray(delay_samples, float) / sample_rate_hz, (len(h),))
    spectrum = np.fft.rfft(h, axis=1)[:, 1:] * np.exp(-2j * np.pi * frequency * delay[:, None])
    return np.asarray(frequency, float), np.asarray(spectrum)
