"""Makes rooms_image_sources.npz: image sources of a box by a general library (pyroomacoustics 0.10.1, MIT licence).

Run with that library installed:  python tests/reference/data/rooms_image_sources.py
Its conventions: amplitudes 1/d for the direct sound, every delay 40 samples late, speed of sound 343.0 m/s (set here), walls
reflect sqrt(1 - absorption) of the pressure at every angle. Wall order there: west, east, south, north, floor, ceiling.
"""

from pathlib import Path

import numpy as np
import pyroomacoustics as pra

LENGTH, SOURCE, SEAT = (5.0, 4.0, 2.7), (1.0, 1.3, 1.2), (3.2, 2.1, 1.1)
ABSORPTION = {"west": 0.10, "east": 0.30, "south": 0.20, "north": 0.25, "floor": 0.40, "ceiling": 0.15}
ORDER, RATE, SPEED = 8, 48000, 343.0


def main() -> None:
    pra.constants.set("c", SPEED)
    materials = {name: pra.Material(a) for name, a in ABSORPTION.items()}
    room = pra.ShoeBox(list(LENGTH), fs=RATE, materials=materials, max_order=ORDER, air_absorption=False)
    room.add_source(list(SOURCE))
    room.add_microphone(list(SEAT))
    room.image_source_model()
    room.compute_rir()
    source = room.sources[0]
    distance = np.linalg.norm(source.images - np.asarray(SEAT)[:, None], axis=0)
    order = np.argsort(distance, kind="stable")
    np.savez_compressed(
        Path(__file__).with_suffix(".npz"),
        images=source.images[:, order].T,
        orders=source.orders[order],
        amplitude=(source.damping[0] / distance)[order],
        response=room.rir[0][0][:6000].astype(np.float32),
        length=LENGTH,
        source=SOURCE,
        seat=SEAT,
        absorption=list(ABSORPTION.values()),
        rate=RATE,
        speed=SPEED,
    )


if __name__ == "__main__":
    main()
