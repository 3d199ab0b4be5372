"""Words and choices of the outline: labels, which quantities govern, steps, and which quick model answers."""

from __future__ import annotations

LABELS = {
    "re": "Re", "bl": "Bl", "mms": "Mms", "cms": "Cms", "rms": "Rms", "fs": "Fs", "qms": "Qms", "qes": "Qes", "qts": "Qts",
    "vas": "Vas", "sd": "Sd", "le": "Le", "l2": "L2", "r2": "R2", "k": "K", "n": "n", "q": "Q", "xmax": "Xmax",
    "y": "Place, left", "z": "Place, up", "di_ripple": "DI ripple", "leakage_q": "Leakage Q",
    "absorption_q": "Absorption Q",
    "loss_q": "Loss Q", "low": "Coverage from", "high": "Coverage to", "horizontal": "Coverage, horizontal",
    "vertical": "Coverage, vertical",
}  # fmt: skip

GOVERNING = {
    "brief": ("listening_distance", "lowest_frequency", "highest_frequency", "maximum_level", "flatness", "standard"),
    "brief.coverage": ("horizontal", "vertical"),
    "cabinet": ("width", "height", "depth", "edge_radius", "net_volume"),
    "vent": ("radius", "length", "z"),
    "vent.*": ("radius", "length", "z"),
    "ways.*.place": ("z",),
    "ways.*.driver": ("sd", "mms", "bl", "fs", "re", "xmax"),
    "ways.*.waveguide": ("throat_radius", "entry_angle", "depth", "rounding", "profile"),
    "ways.*.waveguide.mouth": ("shape", "radius", "width", "height", "corner_radius"),
    "ways.*.waveguide.wall": ("horizontal", "vertical", "diagonal"),
    "ways.*.filters": ("gain", "delay"),
    "ways.*.filters.sections.*": ("kind", "frequency", "gain", "q"),
    "ways.*.amplifier": ("voltage",),
    "ways.*.motor": ("gap", "plate_thickness", "magnet_height", "magnet_radius", "outer_radius", "overhang"),
    "rooms": ("count", "ensembles"),
}
"""Per section, the few quantities that are shown first."""

STEPS = {"dB": 0.1, "deg": 1.0, "°": 1.0, "%": 1.0, "degC": 1.0}

HELP = {
    "entry_angle": "half angle of the wall at the throat, from the axis",
    "rounding": "radius of the join with the baffle",
}

QUICK = {
    "field": "the last full solve, changed by the difference of a round (axisymmetric) model",
    "circuit": "the circuits over the solved field: exact while the body stays",
    "filter": "the solved ways added anew: exact",
    "place": "the solved way moved: its phase and distance, its diffraction as before",
    "brief": "the same sound, judged anew",
    "other": "not shown until solved",
}

_FIELD_DRIVER = {
    "sd", "cone_depth", "dust_cap_radius", "dust_cap_height", "dome_height", "surround_width", "throat_radius", "exit_angle",
    "profile", "kind",
}  # fmt: skip


def effect_of(path: str) -> str:
    """Which quick model answers a change of this value."""
    steps = path.split(".")
    if steps[0] == "brief":
        return "filter" if steps[-1] == "listening_distance" else "brief"
    if steps[0] == "cabinet":
        return "other" if steps[-1] in ("width", "height", "depth", "edge_radius") else "circuit"
    if steps[0] == "vent":
        return {"y": "place", "z": "place", "radius": "field", "width": "field", "height": "field"}.get(steps[-1], "circuit")
    if steps[0] == "ways" and len(steps) > 3:
        part = steps[2]
        if part == "driver":
            return "field" if steps[3] in _FIELD_DRIVER else "circuit"
        return {"waveguide": "field", "filters": "filter", "amplifier": "filter", "place": "place"}.get(part, "other")
    return {"passive": "filter", "rooms": "brief", "console": "brief", "cost": "brief"}.get(steps[0], "other")
