"""A workbench to talk to: a small design with comments, a made-up solved field, a server in a process of its own, a page's voice.

The field is that of pistons in their places, closed form, with no claim to physics beyond plausibility: it stands in the store
where a full solve would stand.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from scipy.special import j1

from evenfield.workbench.frames import decode, encode

ROOT = Path(__file__).parents[2]

TEXT = """\
# Dinghy: invented for the tests; no such product exists.
evenfield: 1
name: Dinghy
title: A small two-way   # spaces kept

brief:
  listening_distance: 1 m
  lowest_frequency: 90 Hz
  flatness: 6 dB
  flatness_from: 150 Hz
  coverage: {horizontal: 110 deg, vertical: 110 deg, low: 3 kHz, high: 8 kHz, tolerance: 40 %}   # in braces
  maximum_level: 85 dB
  maximum_level_from: 120 Hz
  widest: 240 mm

cabinet:
  width: 220 mm
  height: 320 mm
  depth: 220 mm
  edge_radius: 18 mm
  net_volume: 7 L

vent: {z: -100 mm, radius: 20 mm, length: 110 mm, face: rear}

ways:
  woofer:
    place: {z: -70 mm}
    driver:
      kind: cone
      re: 5.6 ohm ± 5 %
      bl: 5.5 Tm
      mms: 9 g
      fs: 50 Hz
      qms: 4
      sd: 80 cm2
      xmax: 5 mm
      cone_depth: 14 mm
      first_mode: 4 kHz
    filters:
      sections:
        - {kind: low-pass, family: linkwitz-riley, order: 4, frequency: 2 kHz}
        - {kind: low-shelf, frequency: 300 Hz, gain: 3 dB, q: 0.6}   # the step of the baffle
    amplifier: {gain: 0 dB, voltage: 25 V}
  tweeter:
    place: {z: 85 mm}
    driver:
      kind: dome
      re: 3.4 ohm
      bl: 2.8 Tm
      mms: 0.35 g
      fs: 800 Hz
      qms: 2
      sd: 7 cm2
      xmax: 0.5 mm
      dome_height: 5 mm
    waveguide:
      throat_radius: 16 mm
      entry_angle: 30 deg
      depth: 24 mm     # shallow
      mouth: {shape: rounded-rectangle, width: 150 mm, height: 110 mm, corner_radius: 40 mm}
      rounding: 10 mm
    filters:
      gain: -4 dB
      sections:
        - {kind: high-pass, family: linkwitz-riley, order: 4, frequency: 2 kHz}
"""


def write_design(folder: Path, name: str = "dinghy.yaml", text: str = TEXT) -> Path:
    """The design's file, its field already solved."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    solve(path)
    return path


def solve(path: Path) -> None:
    """Put the pistons' field into the store, where the full solve of this design would be."""
    from evenfield.data.directions import sphere_directions
    from evenfield.loudspeaker.frequencies import output_axis, start_axis
    from evenfield.loudspeaker.load import load_design
    from evenfield.loudspeaker.predict import body_of
    from evenfield.loudspeaker.store import Store
    from evenfield.loudspeaker.sweep import part_names, part_places, sweep_key
    from evenfield.shape import surface_facts

    design = load_design(path)
    whole = body_of(design, path.parent)
    cabinet, air = whole.cabinet, whole.air
    f = start_axis(output_axis())
    k = 2 * np.pi * f / air.speed_of_sound
    names, places = part_names(cabinet), part_places(cabinet)
    areas = {n: p.area for n, p in surface_facts(cabinet, wall=0.0).parts.items()}
    v = sphere_directions().vectors
    sine = np.sqrt(np.maximum(1 - v[:, 0] ** 2, 0))
    body = (f / 350.0) ** 2 / (1 + (f / 350.0) ** 2)
    shade = 0.5 + 0.5 * body[None] * v[:, :1]
    far, load = [], np.zeros((len(names), len(names), len(f)), complex)
    for i, name in enumerate(names):
        radius = float(np.sqrt(areas[name] / np.pi))
        u = np.maximum(np.outer(sine, k * radius), 1e-6)
        turn = np.exp(1j * np.outer(v @ np.asarray(places[name]), k))
        strength = 2j * np.pi * f * air.density * areas[name] / (2 * np.pi)
        far.append(strength[None] * 2 * j1(u) / u * shade * turn)
        load[i, i] = (
            air.density
            * air.speed_of_sound
            * areas[name]
            * ((k * radius) ** 2 / 2 + 8j * k * radius / (3 * np.pi))
            / (1 + (k * radius) ** 2 / 2)
        )
    ones = np.ones(len(f))
    arrays = {
        "far_field": np.asarray(far, np.complex64), "impedance": load, "error_db": 0.1 * ones, "unknowns": 100 * ones,
        "triangles": 200 * ones, "iterations": 10 * ones, "seconds": 0.01 * ones,
    }  # fmt: skip
    Store(path.parent).write(sweep_key(whole, f), "sweep", arrays | {"frequency": f})


class Page:
    """What a page says and hears."""

    def __init__(self, address: str, origin: str | None = None, token: str | None = None, protocols: list[str] | None = None):
        from websockets.sync.client import connect

        self.port, self.token = port_of(address), token or token_of(address)
        home = f"http://127.0.0.1:{self.port}"
        offered = ["evenfield-1", f"token.{self.token}"] if protocols is None else protocols
        self._open = connect(
            f"ws://127.0.0.1:{self.port}/socket", origin=origin or home, subprotocols=offered, max_size=None, compression=None
        )
        self.socket = self._open.__enter__()
        self.heard: list[dict] = []

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._open.__exit__(None, None, None)

    def say(self, **header):
        """Send a message."""
        self.socket.send(encode(header))

    def hear(self, timeout: float = 30.0):
        """The next message: header and arrays."""
        header, arrays = decode(self.socket.recv(timeout))
        self.heard.append(header)
        return header, arrays

    def until(self, test, timeout: float = 40.0):
        """Messages until one passes the test."""
        end = time.monotonic() + timeout
        while True:
            left = end - time.monotonic()
            assert left > 0, [h.get("type") for h in self.heard[-20:]]
            header, arrays = self.hear(left)
            if test(header):
                return header, arrays

    def ask(self, **header):
        """Send a message and hear its answer."""
        number = len(self.heard) + 1000
        self.say(id=number, **header)
        return self.until(lambda h: h.get("re") == number)[0]

    def picture(self, name: str, test=lambda h: True, timeout: float = 40.0):
        """The next picture of that id."""
        return self.until(lambda h: h["type"] == "picture" and h["id"] == name and test(h), timeout)

    def greet(self, *pictures, design: str | None = None):
        """Say hello, ask for pictures (kind, or (kind, options)); hear the state."""
        self.say(type="hello", page="test", tab="test", **({"design": design} if design else {}))
        listed = [p if isinstance(p, tuple) else (p, {}) for p in pictures]
        self.say(type="subscribe", pictures=[{"id": k, "kind": k, "options": o} for k, o in listed])
        return self.until(lambda h: h["type"] == "state")[0]


def port_of(address: str) -> int:
    return int(re.search(r":(\d+)/", address)[1])


def token_of(address: str) -> str:
    return re.search(r"token=([^&\s]+)", address)[1]


@contextmanager
def serving(target: Path, *options: str):
    """A server on a design or folder; yields (address, process)."""
    source = str(ROOT / "src")
    environment = dict(os.environ, PYTHONPATH=source, OPENBLAS_NUM_THREADS="1")
    command = [sys.executable, "-m", "evenfield", "open", str(target), "--no-browser", *(options or ("--no-solve",))]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
    try:
        line = process.stdout.readline()
        assert "Workbench: http://127.0.0.1:" in line, line
        yield line, process
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)
