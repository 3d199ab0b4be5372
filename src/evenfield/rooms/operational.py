"""The operational check: room response window, early reflections and reverberation time against the recommendation.

ITU-R BS.1116-3 and EBU Tech 3276; every limit here is from memory or read in secondary text, hence marked unverified.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenfield.base.errors import Refusal
from evenfield.rooms.ensembles import nominal_reverberation_time
from evenfield.rooms.one_room import RoomResponse

FloatArray = NDArray[np.float64]

RECOMMENDATION = "ITU-R BS.1116-3 / EBU Tech 3276 (unverified: from memory)"


@dataclass(frozen=True)
class CheckLine:
    """One line of the check.

    Parameters
        name, target, found : in words
        passed : True, False, or None where the data cannot say
        margin_db : how far inside (positive) or outside, dB; for reverberation time, seconds
        where : where in frequency or which reflection
    """

    name: str
    target: str
    found: str
    passed: bool | None
    margin: float
    where: str
    verified: bool = False


def room_response_window(frequency_hz: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Lower and upper limit, dB, of the operational room response; NaN outside 50 Hz to 16 kHz.

    +-3 dB from 50 Hz to 2 kHz, then the lower limit falls linearly with log frequency to -6 dB at 16 kHz (from memory).
    """
    f = np.asarray(frequency_hz, float)
    fall = -3 - 3 * np.clip(np.log2(f / 2000.0) / 3, 0, 1)
    inside = (f >= 50 * 0.97) & (f <= 16000 * 1.03)
    return np.where(inside, fall, np.nan), np.where(inside, 3.0, np.nan)


def operational_check(
    response: RoomResponse, trim: Callable[[FloatArray], ArrayLike] | None = None, seat: int = 0
) -> tuple[CheckLine, ...]:
    """Lines for one seat of one room.

    Parameters
        response : from `respond`, in 1/3-octave or narrower bands
        trim : complex or real response over frequency (Hz) of the room trims, if there are any
    """
    return (_window(response, trim, seat), _early(response, seat), *_reverberation(response))


def third_octave_levels(response: RoomResponse, seat: int) -> tuple[FloatArray, FloatArray]:
    """(B,) Hz and dB: levels in third octaves. Raises Refusal when the bands are wider."""
    from evenfield.base.bands import OCTAVE, octave_axis

    f = response.frequency
    step = float(np.log(f[1] / f[0]) / np.log(OCTAVE))
    if step > 1 / 3 + 1e-6:
        raise Refusal("The operational window is judged in third octaves; these bands are wider.")
    centres = octave_axis(3, float(f[0]), float(f[-1]))
    power = 10 ** (response.level_db[seat] / 10)
    half = OCTAVE ** (1 / 6)
    rows = [(c, (f >= c / half * 0.9999) & (f < c * half * 0.9999)) for c in centres]
    kept = [(c, float(np.sum(power[m] * f[m]) / np.sum(f[m]))) for c, m in rows if m.sum() == round(1 / 3 / step)]
    return np.array([c for c, _ in kept]), 10 * np.log10(np.array([p for _, p in kept]))


def _window(response: RoomResponse, trim: Callable[[FloatArray], ArrayLike] | None, seat: int) -> CheckLine:
    name, target = "operational room response", "+-3 dB 50 Hz to 2 kHz, lower limit falling to -6 dB at 16 kHz"
    f, level = third_octave_levels(response, seat)
    if trim is not None:
        level = level + 20 * np.log10(np.abs(np.asarray(trim(f))))
    reference = (f > 200 * 0.97) & (f < 4000 * 1.03)
    low, high = room_response_window(f)
    use = ~np.isnan(low)
    if reference.sum() < 13 or use.sum() < 10:
        return CheckLine(name, target, "the data do not reach", None, float("nan"), "")
    level = level - level[reference].mean()
    margin = np.minimum(high - level, level - low)[use]
    worst = int(np.argmin(margin))
    found = f"{level[use][worst]:+.1f} dB at worst; late field's expected value"
    return CheckLine(name, target, found, bool(margin[worst] >= 0), float(margin[worst]), f"{f[use][worst]:.0f} Hz")


def _early(response: RoomResponse, seat: int) -> CheckLine:
    name, target = "early reflections", "-10 dB or less relative to the direct sound, 0 to 15 ms, 1 to 8 kHz"
    inside = (response.frequency >= 1000) & (response.frequency <= 8000)
    listed = [r for r in response.reflections[seat] if r.order > 0 and r.delay_s <= 0.015]
    if not listed or not inside.any():
        return CheckLine(name, target, "no reflection within 15 ms", None if not inside.any() else True, float("nan"), "")
    weight = response.frequency[inside]
    levels = [10 * np.log10(np.sum(10 ** (r.level_db[inside] / 10) * weight) / weight.sum()) for r in listed]
    worst = int(np.argmax(levels))
    r = listed[worst]
    where = f"{' + '.join(r.walls)}, {1000 * r.delay_s:.1f} ms"
    return CheckLine(name, target, f"{levels[worst]:.1f} dB", bool(levels[worst] <= -10), float(-10 - levels[worst]), where)


def _reverberation(response: RoomResponse) -> tuple[CheckLine, CheckLine]:
    volume = response.room.volume
    nominal = float(nominal_reverberation_time(volume))
    f = response.frequency
    inside = (f >= 200) & (f <= 4000)
    time = response.time[inside]
    mean = float(time.mean())
    target = f"{nominal:.2f} s (volume {volume:.0f} m3), 0.2 to 0.4 s in all rooms of this kind"
    middle = CheckLine(
        "reverberation time, mean",
        target,
        f"{mean:.2f} s",
        bool(0.2 <= mean <= 0.4),
        min(mean - 0.2, 0.4 - mean),
        "200 Hz to 4 kHz",
    )
    off = np.abs(time - nominal)
    worst = int(np.argmax(off))
    found = f"{time[worst]:.2f} s"
    even = CheckLine(
        "reverberation time, each band",
        f"{nominal:.2f} s +-0.05 s, 200 Hz to 4 kHz",
        found,
        bool(off[worst] <= 0.05),
        0.05 - float(off[worst]),
        f"{f[inside][worst]:.0f} Hz",
    )
    return middle, even
