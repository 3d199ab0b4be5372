"""Rooms: ensembles, one room's impulse response, the judge's image-source method, the spread's sampling error."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from evenfield import rooms
from evenfield.base import octave_axis
from evenfield.rooms.omni_images import omni_response

AXIS = octave_axis(24, 18, 22000)
OCTAVES = np.array([125.0, 250, 500, 1000, 2000, 4000, 8000])
ABSORPTION = np.array([0.1, 0.12, 0.15, 0.2, 0.25, 0.3, 0.3])
LENGTH, SOURCE, SEAT, ORDER = (5.0, 4.0, 2.7), (1.0, 1.3, 1.2), (3.2, 2.1, 1.1), 17


def best(function: Callable[[], object], times: int) -> float:
    """Least of several runs, s: the machine may be shared."""
    spent = []
    for _ in range(times):
        began = time.perf_counter()
        function()
        spent.append(time.perf_counter() - began)
    return min(spent)


def two_way() -> rooms.Loudspeaker:
    """Two ways of their own origins and responses: DI 3 and 8 dB, fourth-order handover at 2 kHz."""
    s = 1j * AXIS / 2000
    half = 1 / (s**2 + np.sqrt(2) * s + 1)
    low, high = half**2, (s**2 * half) ** 2
    lower, upper = (rooms.constant_index(i, AXIS).ways[0] for i in (3.0, 8.0))
    return rooms.loudspeaker(
        [(lower.replace(origin=(0.0, 0.0, -0.1)), low), (upper.replace(origin=(0.0, 0.0, 0.08)), high)], names=("low", "high")
    )


def figures() -> list[tuple[str, float, str]]:
    """Every figure that the rooms issue names: (name, seconds, note)."""
    return [*_ensemble(), *_one_room(), *_judge(), *_sampling()]


def _ensemble() -> list[tuple[str, float, str]]:
    import resource

    source = two_way()
    rooms.play(rooms.ensemble("studios", 4, 1), source)
    began = time.perf_counter()
    drawn = rooms.ensemble("studios", 1000, 1)
    draw = time.perf_counter() - began
    began, spent = time.perf_counter(), time.process_time()
    played = rooms.play(drawn, source)
    whole, spent = time.perf_counter() - began, time.process_time() - spent
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    began = time.perf_counter()
    rooms.measure_spread(drawn, source)
    measure = time.perf_counter() - began
    note = f"target 20 s, 2 GB; {spent:.1f} s of processor, {played.images:.0f} exact paths a seat, peak memory {memory:.0f} MB"
    return [
        ("rooms: draw 1000 studios", draw, ""),
        ("rooms: 1000 rooms x 2 places x 3 seats, two ways", draw + whole, note),
        ("rooms: the same with causes, ideal and omni", draw + measure, "all of `measure_spread`"),
    ]


def _one_room() -> list[tuple[str, float, str]]:
    room = rooms.box_room(LENGTH, rooms.Surface(OCTAVES, ABSORPTION, np.zeros(7)))
    source, place = two_way(), rooms.Placement.towards(SOURCE, SEAT)
    made = rooms.impulse_response(room, source, place, SEAT, late=False)
    quick = best(lambda: rooms.impulse_response(room, source, place, SEAT, late=False), 3)
    rooms.impulse_response(room, source, place, SEAT)
    whole = best(lambda: rooms.impulse_response(room, source, place, SEAT), 3)
    return [
        ("rooms: impulse response complete to 100 ms, 48 kHz", quick, f"target 0.5 s; {made.paths} images, two ways, modes"),
        ("rooms: the same with the late field", whole, ""),
    ]


def _judge() -> list[tuple[str, float, str]]:
    try:
        import pyroomacoustics as judge
    except ImportError:
        return [("rooms: the judge's image-source method", float("nan"), "pyroomacoustics is not installed")]
    out = []
    for banded in (True, False):
        surface = rooms.Surface(OCTAVES, ABSORPTION, np.zeros(7)) if banded else 0.2
        room = rooms.box_room(LENGTH, surface)

        def theirs(banded: bool = banded) -> None:
            material = (
                judge.Material({"coeffs": list(ABSORPTION), "center_freqs": list(OCTAVES)}) if banded else judge.Material(0.2)
            )
            box = judge.ShoeBox(list(LENGTH), fs=48000, materials=material, max_order=ORDER, air_absorption=banded)
            box.add_source(list(SOURCE))
            box.add_microphone(list(SEAT))
            box.compute_rir()

        def ours(room: rooms.BoxRoom = room, banded: bool = banded) -> object:
            return omni_response(room, SOURCE, SEAT, order=ORDER, early_s=None, bands=banded)

        theirs()
        ours()
        a, b = best(theirs, 9), best(ours, 15)
        words = "octave bands and air" if banded else "one absorption, no air"
        target = "target 20" if banded else "no target: the judge does nothing but add pulses here"
        out.append((f"rooms: order {ORDER}, {words}, pyroomacoustics", a, ""))
        out.append((f"rooms: order {ORDER}, {words}, ours", b, f"{a / b:.0f} times faster ({target})"))
    return out


def _sampling() -> list[tuple[str, float, str]]:
    source = rooms.constant_index(6.0, AXIS)
    began = time.perf_counter()
    few = rooms.spread(rooms.play(rooms.ensemble("studios", 1000, 1), source, 3, 200, 12500))
    many = rooms.spread(rooms.play(rooms.ensemble("studios", 10_000, 2), source, 3, 200, 12500))
    seconds = time.perf_counter() - began
    off = (few.spread_db - many.spread_db) / np.hypot(few.error_db, many.error_db)
    note = (
        f"{few.spread_db:.3f} ± {few.error_db:.3f} dB (1000 rooms), {many.spread_db:.3f} ± {many.error_db:.3f} dB (10 000): "
        f"{abs(off):.1f} standard errors apart"
    )
    return [("rooms: spread of 1000 and of 10 000 other rooms", seconds, note)]
