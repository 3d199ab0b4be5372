"""Checks of evenfield against the outside that the validation page shows: one list, run by the tests and by the page.

Each check gives what was published or derived, what evenfield finds, and how far it may be off.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from evenfield.base import Air, octave_axis

REFERENCE = Path(__file__).parents[1] / "reference" / "data"


@dataclass(frozen=True)
class Check:
    """One line of the page; `compute` gives (published, ours); `needs`: modules of extras without which it cannot run."""

    name: str
    source: str
    unit: str
    allowed: float
    compute: Callable[[], tuple[float, float]]
    needs: tuple[str, ...] = ()


def _cap(ka, half_angle_deg):
    from evenfield.exact import sphere
    from evenfield.exact.sphere_mesh import capped_sphere
    from evenfield.radiation import solve_surface

    def compute():
        alpha, f = np.radians(half_angle_deg), ka * Air().speed_of_sound / (2 * np.pi)
        mesh = capped_sphere(1.0, alpha, min(2 * np.pi / ka / 6, 0.2, alpha / 2))
        cap = mesh.of_part(1)
        velocity = cap * 2 * np.pi * (1 - np.cos(alpha)) / mesh.area[cap].sum()
        found = solve_surface(mesh, f, velocity=velocity[:, None], mirror=("y", "z"))
        angle = np.radians(np.arange(0, 181, 5))
        towards = np.stack([np.cos(angle), np.sin(angle), 0 * angle], 1)
        truth = np.abs(sphere.cap_far_field(1.0, alpha, f, angle, "radial")[:, 0])
        error = 20 * np.log10(np.abs(found.far_field(towards)[0, :, 0]) / truth)
        return 0.0, float(np.abs(error[truth > truth.max() / 10]).max())

    return compute


def _box():
    from evenfield.data import SurfaceMesh
    from evenfield.radiation import solve_surface

    stored = np.load(next((REFERENCE / "rounded-box").rglob("box.npz")))
    mesh_file = np.load(next((REFERENCE / "rounded-box").rglob("box_mesh_fine.npz")))
    mesh = SurfaceMesh(mesh_file["vertices"], mesh_file["triangles"], mesh_file["tag"])
    f = 3150.0
    found = solve_surface(mesh, f, mirror="y")
    angle = np.radians(stored["angles_deg"])
    towards = np.stack([np.cos(angle), np.sin(angle), 0 * angle], 1)
    i = int(np.flatnonzero(stored["freqs"] == f)[0])
    truth = np.abs(stored["p_hf_h"][i])
    scale = np.pi * 0.014**2 / mesh.area[mesh.of_part(2)].sum()
    error = 20 * np.log10(np.abs(found.far_field(towards)[1, :, 0]) * scale / truth)
    front = (np.cos(angle) >= -1e-9) & (truth > truth.max() / 10)
    return 0.0, float(np.abs(error[front]).max())


def _thiele():
    from evenfield.exact.alignments import cutoff_ratio, vented_box_response

    return 1.77, float(cutoff_ratio(lambda x: vented_box_response(x, 0.259, 1 / 0.2242, 1.42)))


def _cardioid(power):
    from evenfield import metrics
    from evenfield.data import sphere_directions
    from evenfield.exact.patterns import first_order_directivity

    def compute():
        d = first_order_directivity("cardioid", sphere_directions(), [1000.0])
        if power == "sphere":
            return 4.771212547, float(metrics.directivity_index(d)[0])
        curves = metrics.standard_curves(d)
        return 4.672252207, float(curves.on_axis[0] - curves.sound_power[0])

    return compute


def _absorption():
    return 4.6647, float(1000 * Air.at(20, 101325, 0.5).absorption_db_per_m(1000.0))


def _third_octave():
    return 3162.27766, float(octave_axis(3)[np.argmin(np.abs(octave_axis(3) - 3150))])


def _piston():
    from evenfield.exact.piston import circular_impedance

    return 1.0330216640, float(circular_impedance([2.0])[0].real)


def _flush(line, part, radius, measure):
    """Specific impedance at the first corner's radius, or level on axis re the meridian solver's, of a front in a baffle."""
    from evenfield.exact.piston import circular_impedance
    from evenfield.exact.revolved_mesh import revolved_surface
    from evenfield.radiation import solve_flush, throat_impedance

    def compute():
        air, ka = Air(), 2.0
        f = ka / radius * air.speed_of_sound / (2 * np.pi) if measure == "resistance" else 30.0
        found = solve_flush(revolved_surface(line, radius / 12, part), f, mirror=("y", "z"))
        z = throat_impedance(found)[0] * np.pi * radius**2 / air.impedance
        if measure == "resistance":
            return float(circular_impedance([ka])[0].real), float(z.real)
        length = -line[0][0]
        return 0.8216, float((z.imag / air.wavenumber(f) - length) / radius)

    return compute


def _piston_slope():
    """d ln Re Z / d ln a of a piston in a baffle at ka = 2: closed form, and the triangles' gradient by their vertices."""
    from evenfield.exact.piston import circular_impedance
    from evenfield.exact.revolved_mesh import revolved_surface
    from evenfield.radiation import FlushProblem

    ka, a, h = 2.0, 0.1, 1e-5
    low, high = (np.log(circular_impedance([ka * (1 + s)])[0].real) for s in (-h, h))
    mesh = revolved_surface([(0.0, 0.0), (0.0, a)], a / 12, [1])
    found = FlushProblem(mesh, mirror=("y", "z")).solve(ka / a * Air().speed_of_sound / (2 * np.pi))
    slope = (found.gradient(impedance_bar=[[1.0]]) * mesh.vertices).sum() / found.radiation_impedance[0, 0].real
    return 2 + float(high - low) / (2 * h), float(slope)


def _cone_throat():
    """The cone of 12.5 to 100 mm over 200 mm at 1 kHz: ring elements beside triangles, |Z| over that of air."""
    from evenfield.data import Meridian
    from evenfield.exact.revolved_mesh import revolved_surface
    from evenfield.radiation import solve_flush, solve_meridian, throat_impedance

    share, throat = np.linspace(1, 0, 61)[:-1, None], np.linspace(1, 0, 11)
    points = np.concatenate([[-0.2, 0.0125] + share * [0.2, 0.0875], np.column_stack([np.full(11, -0.2), 0.0125 * throat])])
    rings = solve_meridian(Meridian(points, np.array([0] * 60 + [1] * 10)), 1000.0, baffle=True)
    mesh = revolved_surface([(-0.2, 0.0), (-0.2, 0.0125), (0.0, 0.1)], 0.008, [1, 0])
    flush = solve_flush(mesh, 1000.0, mirror=("y", "z"))
    scale = np.pi * 0.0125**2 / Air().impedance
    return tuple(float(abs(throat_impedance(s)[0]) * scale) for s in (rings, flush))


def _tapered(power, ka, measure):
    """A piston of velocity (1 - r^2/a^2)^n in a baffle, on the meridian: resistance, reactance, or level 60 degrees off axis."""
    from evenfield.data import Meridian
    from evenfield.exact import tapered_piston
    from evenfield.radiation import solve_meridian

    air, a, r = Air(), 0.05, np.linspace(0.05, 0, 61)
    f = ka / a * air.speed_of_sound / (2 * np.pi)
    velocity = (1 - ((r[1:] + r[:-1]) / 2 / a) ** 2) ** power
    line = Meridian(np.column_stack([0 * r, r]), np.ones(60, int))

    def compute():
        found = solve_meridian(line, f, velocity=velocity[:, None], baffle=True)
        if measure == "level":
            level = 20 * np.log10(np.abs(found.far_field(np.radians([0, 60]))[0, :, 0]))
            x = ka * np.sin(np.radians(60))
            return float(20 * np.log10(np.abs(tapered_piston.pattern(power, x)))), float(level[1] - level[0])
        z = found.radiation_impedance[0, 0, 0] / (air.impedance * np.pi * a**2)
        return tuple(float(getattr(v, measure)) for v in (tapered_piston.radiation_impedance(power, ka), z))

    return compute


def _finite_baffle(angle_deg):
    """Level of a piston of 50 mm in one side of a thin closed disk of 100 mm, kb = 2, by extrapolation in thickness."""
    from evenfield.data import Meridian
    from evenfield.exact.finite_baffle import FiniteBaffle
    from evenfield.radiation import solve_meridian

    b, a, n = 0.1, 0.05, 48
    air, share = Air(), np.sin(np.pi / 2 * np.linspace(0, 1, n + 1))
    f = 2.0 / b * air.speed_of_sound / (2 * np.pi)

    def line(t):
        ring = a + (b - a) * (1 - np.cos(np.pi * np.linspace(1, 0, n + 1))) / 2
        r = np.concatenate([b * share, [b] * 3, ring, a * share[::-1][1:]])
        x = np.concatenate([np.full(n + 1, -t / 2), t * np.array([-0.25, 0, 0.25]), np.full(2 * n + 1, t / 2)])
        return Meridian(np.column_stack([x, r]), np.repeat([0, 1], [len(r) - 1 - n, n]))

    def compute():
        thin, angle = np.array([0.02, 0.01, 0.005]), np.radians([angle_deg])
        terms = np.linalg.inv(np.stack([np.ones(3), thin * np.log(thin), thin], axis=1))[0]
        found = terms @ [solve_meridian(line(t * b), f).far_field(angle)[0, 0, 0] for t in thin]
        return tuple(float(20 * np.log10(np.abs(p) / 2e-5)) for p in (FiniteBaffle(b, a, f).far_field(angle)[0], found))

    return compute


def _tangent():
    """A conical guide whose rounding runs into the baffle tangentially, 1 kHz on axis, beside the same ended 12 um before it."""
    from evenfield.data import Meridian
    from evenfield.radiation import solve_meridian
    from evenfield.shape import PROFILES

    x, r = PROFILES["conical"].wall(np.linspace(1, 0, 4001), 0.0125, 0.0, 0.06, np.array([0.1]), 0.03)
    front = np.column_stack([np.full(6, -0.06), np.linspace(0.0125, 0, 7)[1:]])
    levels = []
    for before in (1.2e-5, 0.0):
        first = int(np.argmax(-x[:, 0] >= before))
        at = np.linspace(first, 4000, 41).astype(int)
        wall = np.column_stack([-np.sqrt(np.maximum(0, x[at, 0] ** 2 - before**2)), r[at, 0]])
        wall[0, 0] = 0.0
        line = Meridian(np.concatenate([wall, front + np.array([wall[-1, 0] + 0.06, 0])]), np.repeat([0, 1], [40, 6]))
        found = solve_meridian(line, 1000.0, motion="axial", baffle=True).far_field([0.0])
        levels.append(float(20 * np.log10(np.abs(found[0, 0, 0]) / 2e-5)))
    return tuple(levels)


def _crossover():
    from evenfield.filters import FilterChain, HighPass, LowPass

    f = np.array([1000.0])
    low = FilterChain((LowPass(1000.0, 4, "linkwitz-riley"),)).response(f)
    high = FilterChain((HighPass(1000.0, 4, "linkwitz-riley"),)).response(f)
    assert abs(abs(low + high)[0] - 1) < 1e-12
    return -6.020599913, float(20 * np.log10(np.abs(low[0])))


def _sensitivity():
    from evenfield.exact.alignments import reference_level_db

    return 112.159699759, float(reference_level_db(1.0, Air()))


def _lobing():
    from evenfield.exact.patterns import pair_lobing_db

    return 4.06, float(np.max(pair_lobing_db(np.linspace(0.6, 0.85, 500))))


def _wall(profile, rounding=0.0008):
    from evenfield.shape import Round, Throat, Waveguide

    return Waveguide(Throat("t", 0.02), 0.02, 0.0, 0.06, Round(0.07), rounding, profile)


def _frustum():
    from evenfield.shape.strips import hollow, strips_of

    volume = np.pi * 0.06 / 3 * (0.07**2 + 0.07 * 0.02 + 0.02**2)
    return 1e6 * volume, 1e6 * hollow(strips_of(_wall("conical", 5e-5)))


def _hyperboloid():
    from evenfield.shape.strips import hollow, strips_of
    from evenfield.shape.walls import wall

    guide = _wall("oblate_spheroidal")
    x, r = wall(guide, np.array([0.9]), np.zeros(1))
    squared = (r[0, 0] ** 2 - 0.02**2) / (x[0, 0] + 0.06) ** 2
    return 1e6 * np.pi * (0.02**2 * 0.06 + squared * 0.06**3 / 3), 1e6 * hollow(strips_of(guide))


def _tractrix():
    from evenfield.shape import PROFILES

    x, r = PROFILES["tractrix"].wall(np.linspace(0, 1, 4001), 0.0125, 0.0, 0.3, np.array([0.12]), 0.012)
    on = x[:, 0] < -0.03
    slope = np.gradient(r[on, 0], x[on, 0])[1:-1]
    tangent = r[on, 0][1:-1] * np.sqrt(1 + slope**-2.0)
    return 1e3 * tangent[0], 1e3 * tangent[-1]


@functools.cache
def _printed():
    """Skiff's design, the plan of its waveguide as a part, and the printed body."""
    import evenfield as ef
    from evenfield.loudspeaker.part import waveguide_of
    from evenfield.loudspeaker.printer_section import read_printer
    from evenfield.shape.printing.body import build_body
    from evenfield.shape.printing.plan import make_plan

    design = ef.load_design(REFERENCE.parents[2] / "examples" / "skiff.yaml")
    plan = make_plan(*waveguide_of(design), read_printer(None), "Skiff")
    return design, plan, build_body(plan)


def _printed_wall():
    from evenfield.shape.printing.report import wall_distance

    _, plan, body = _printed()
    return 0.0, float(np.nanmax(wall_distance(body, SimpleNamespace(plan=plan))))


def _printed_volume():
    """What the printed wall encloses from throat to baffle, beside what the solved wall sweeps."""
    from evenfield.shape.printing.body import _air_rings
    from evenfield.shape.printing.meshing import closed_rings, solid_of
    from evenfield.shape.strips import hollow, strips_of

    _, plan, body = _printed()
    tube = solid_of(*closed_rings(_air_rings(plan)), "the air")
    inside = tube.trim_by_plane((-1.0, 0.0, 0.0), 0.0).trim_by_plane((1.0, 0.0, 0.0), -plan.depth) - body.solid
    wall = hollow(strips_of(plan.guide)[:1])  # the first strip; what stands over the throat it leaves out
    return 1e6 * wall + np.pi * plan.grid.throat**2 * plan.depth / 1e3, inside.volume() / 1e3


def _printed_sound():
    import tempfile

    from evenfield.loudspeaker.scan_compare import compare_scan, read_scan
    from evenfield.shape.printing.files import write_stl

    design, _, body = _printed()
    with tempfile.TemporaryDirectory() as folder:
        write_stl(body, Path(folder) / "part.stl", "Skiff tweeter")
        scan = read_scan(Path(folder) / "part.stl", design)
    return 0.0, float(compare_scan(design, scan, [2500.0]).worst_db[0])


SOLID = ("manifold3d", "embreex", "trimesh")
MORSE = "Morse & Ingard, section 7.2 (series)"
GREENSPAN = "Greenspan 1979 (from memory); patterns closed, impedance by King's integral"
MELLOW = "problem of Mellow & Karkkainen 2005, own series (Lamb's mass to 1e-6)"
LIBRARY = "independent boundary-element library, three meshes extrapolated"
THIELE = "Thiele 1961, Table I (read in secondary text, rounded)"

CHECKS = (
    Check("Cap of 30 degrees on a rigid sphere, ka = 0.05, worst level error", MORSE, "dB", 0.2, _cap(0.05, 30)),
    Check("the same at ka = 3.1416, an interior resonance", MORSE, "dB", 0.2, _cap(np.pi, 30)),
    Check("the same at ka = 10, cap of 60 degrees", MORSE, "dB", 0.2, _cap(10.0, 60)),
    Check("Rounded box, 14 mm piston, 3150 Hz, front, worst level error", LIBRARY, "dB", 0.2, _box),
    Check("Piston in an infinite baffle, R1 at ka = 2", "closed form (Bessel)", "", 1e-8, _piston),
    Check("the same solved on triangles flush in the baffle", "closed form (Bessel)", "", 3e-3,
          _flush([(0.0, 0.0), (0.0, 0.1)], [1], 0.1, "resistance")),
    Check("its resistance by its radius, d ln R / d ln a, from the gradient by all vertices", "closed form (Bessel)", "", 5e-3,
          _piston_slope),
    Check("End correction of a tube's flanged end, over its radius", "Nomura et al. 1960 (from memory)", "", 0.015,
          _flush([(-0.06, 0.0), (-0.06, 0.02), (0.0, 0.02)], [1, 0], 0.02, "end")),
    Check("Throat of a 24 degree cone in a baffle, 1 kHz, triangles beside rings", "evenfield's meridian solver", "", 3e-3,
          _cone_throat),
    Check("Waveguide tangent to its baffle, level on axis at 1 kHz", "the wall ended 12 um before the plane", "dB", 5e-3,
          _tangent),
    Check("Piston supported at its edge, velocity 1 - (r/a)^2, ka = 3, resistance", GREENSPAN, "", 2e-4,
          _tapered(1, 3.0, "real")),
    Check("the same, reactance", GREENSPAN, "", 2e-4, _tapered(1, 3.0, "imag")),
    Check("Clamped piston, velocity (1 - (r/a)^2)^2, ka = 4, 60 degrees off axis", GREENSPAN, "dB", 5e-3,
          _tapered(2, 4.0, "level")),
    Check("Piston of half its baffle's radius, thin closed baffle, kb = 2, on axis", MELLOW, "dB", 0.01, _finite_baffle(0)),
    Check("the same, behind", MELLOW, "dB", 0.01, _finite_baffle(180)),
    Check("Vented box, Thiele's row QT 0.259: f3/fs", THIELE, "", 0.0266, _thiele),
    Check("Half-space sensitivity constant, 20 degC", "closed form", "dB", 1e-6, _sensitivity),
    Check("Linkwitz-Riley, order 4, at its frequency", "Linkwitz, JAES 24 (1976)", "dB", 1e-8, _crossover),
    Check("Cardioid, full-sphere directivity index", "closed form", "dB", 1e-6, _cardioid("sphere")),
    Check("Cardioid, two-orbit sound power of ANSI/CTA-2034-A", "the standard's own weights", "dB", 1e-6, _cardioid("orbits")),
    Check("Two omnidirectional sources: largest lobing share", "closed form, sinc", "dB", 0.02, _lobing),
    Check("Conical waveguide, volume", "closed form (frustum), rounding of 0.05 mm left out", "cm3", 0.5, _frustum),
    Check("Oblate-spheroidal waveguide, volume", "closed form (hyperboloid); equation from memory", "cm3", 0.5, _hyperboloid),
    Check("Tractrix: tangent length at its end, that at its throat", "its definition", "mm", 0.05, _tractrix),
    Check("Printed waveguide (Skiff's): its wall from the solved one, farthest", "the solved wall itself", "mm", 0.05,
          _printed_wall, SOLID),
    Check("the same: what the printed wall encloses", "the solved wall's own sweep", "cm3", 0.15, _printed_volume, SOLID),
    Check("the same: STL written, read back, aligned and solved at 2.5 kHz, worst level difference",
          "the designed surface, solved", "dB", 0.1, _printed_sound, SOLID),
    Check("Air absorption at 1 kHz, 20 degC, 50 %", "ISO 9613-1:1993", "dB/km", 0.01, _absorption),
    Check("Third octave called 3.15 kHz", "IEC 61260-1:2014", "Hz", 1e-4, _third_octave),
)  # fmt: skip
