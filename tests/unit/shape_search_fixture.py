"""A tiny two-way for the waveguide search: invented, no such product exists."""

from evenfield.loudspeaker.load import load_design

WREN = """# Wren: a tiny two-way, invented for tests.
evenfield: 1
name: Wren
brief:
  listening_distance: 1 m
  coverage: {horizontal: 110 deg, vertical: 110 deg, low: 3.2 kHz, high: 7 kHz, tolerance: 20 %}
cabinet: {width: 130 mm, height: 190 mm, depth: 120 mm, edge_radius: 12 mm, wall_thickness: 9 mm, net_volume: 1.6 L}
ways:
  woofer:
    place: {y: 0 mm, z: -46 mm}
    driver: {kind: cone, re: 5.6 ohm, bl: 4 Tm, mms: 4 g, fs: 80 Hz, qms: 4, sd: 36 cm2, cone_depth: 8 mm,
             dust_cap_radius: 12 mm, dust_cap_height: 3 mm, surround_width: 4 mm}
  tweeter:
    place: {y: 0 mm, z: 42 mm}
    driver: {kind: dome, re: 3.2 ohm, bl: 2.4 Tm, mms: 0.32 g, fs: 900 Hz, qms: 2, sd: 6.2 cm2, dome_height: 5 mm}
    waveguide: # as drawn
      throat_radius: 14.5 mm
      entry_angle: 25 deg
      depth: 26 mm ± 1 % # from the throat
      mouth: {shape: rounded-rectangle, width: 90 mm, height: 76 mm, corner_radius: 30 mm}
      rounding: 6 mm
handover: [3.2 kHz]
"""


def write_wren(folder, text=WREN):
    path = folder / "wren.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def load_wren(folder):
    return load_design(write_wren(folder))
