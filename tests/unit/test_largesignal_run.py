"""Motors joined with a prediction: a made-up field of point sources, so that nothing is solved."""

from dataclasses import replace

import numpy as np
import pytest

from evenfield.base import DesignError, octave_axis
from evenfield.data import Directivity, Impedance, Response, sphere_directions
from evenfield.loudspeaker.chains import responses
from evenfield.loudspeaker.circuits import boxes_of, drivers_of
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.large_signal_section import read_large_signal
from evenfield.loudspeaker.maximum_level import a_weighting_db, heat_limits, level_limits, noise_level_db, way_limits
from evenfield.loudspeaker.motor_run import run_motors
from evenfield.loudspeaker.predict import Prediction
from evenfield.transducer.driver import Driver
from evenfield.transducer.heat import HeatNetwork
from evenfield.transducer.network import DriverPart, VentPart, solve_network

F = octave_axis(6)
MASS = np.array([[0.9e-3, 2e-5], [2e-5, 3e-5]])

CURVES = {
    "force_factor": {"at": ["-6 mm", "-3 mm", "0 mm", "3 mm", "6 mm"], "share": [0.5, 0.9, 1, 0.92, 0.55]},
    "stiffness": {"reach": "6 mm", "powers": [1, 10, 1.5e4]},
    "inductance": {"at": ["-6 mm", "0 mm", "6 mm"], "value": ["0.6 mH", "0.5 mH", "0.4 mH"]},
    "creep": 0.1,
    "heat": {
        "capacity": ["1.2 J/K", "60 J/K", "300 J/K"],
        "coil_steel": "0.12 W/K",
        "steel_magnet": "20 W/K",
        "magnet_air": "0.2 W/K",
        "hottest": "180 degC",
    },
    "voice_coil": {"wire": "0.2 mm", "diameter": "25 mm", "depth": "10 mm", "former_length": "20 mm"},
    "moving": {"cone": "2.4 g", "dust_cap": "0.3 g", "surround": "1.2 g", "spider": "0.6 g"},
    "damping_winding": {
        "resistance": "0.2 ohm",
        "force_factor": {
            "at": ["-6 mm", "-4 mm", "0 mm", "4 mm", "6 mm"],
            "value": ["1 Tm", "0.1 Tm", "0 Tm", "-0.1 Tm", "-1 Tm"],
        },
    },
}


def make_design(large_signal=CURVES, **brief):
    driver = {
        "kind": "cone",
        "re": "5.6 ohm",
        "bl": "5 Tm",
        "mms": "6.4 g",
        "fs": "58 Hz",
        "qms": 4.5,
        "sd": "55 cm2",
        "xmax": "3 mm",
        "inductance": {"model": "ladder", "le": "0.18 mH", "l2": "0.35 mH", "r2": "3.5 ohm"},
    }
    dome = {
        "kind": "dome",
        "re": "3.2 ohm",
        "bl": "2.4 Tm",
        "mms": "0.32 g",
        "fs": "900 Hz",
        "qms": 2,
        "sd": "6.2 cm2",
        "xmax": "0.4 mm",
        "power": "10 W",
    }
    cut = {"kind": "low-pass", "family": "linkwitz-riley", "order": 4, "frequency": "2.4 kHz"}
    return Design.model_validate(
        {
            "evenfield": 1,
            "name": "Punt",
            "brief": {"maximum_level": "90 dB", "maximum_level_from": "90 Hz", "standard": "itu-r-bs1116", **brief},
            "cabinet": {"width": "165 mm", "height": "260 mm", "depth": "200 mm", "edge_radius": "18 mm", "net_volume": "4.2 L"},
            "vent": {"z": "-60 mm", "radius": "17 mm", "length": "120 mm"},
            "ways": {
                "woofer": {
                    "driver": driver,
                    "motor": None if large_signal is None else {"large_signal": large_signal},
                    "filters": {"sections": [cut]},
                    "amplifier": {"voltage": "16 V", "current": "5 A"},
                },
                "tweeter": {
                    "driver": dome,
                    "filters": {"gain": "-4 dB", "sections": [cut | {"kind": "high-pass"}]},
                    "amplifier": {"voltage": "10 V"},
                },
            },
        }
    )


def make_prediction(design):
    """Every part a point source in the open: p = j w rho U / (4 pi)."""
    air = design.air.to_air()
    drivers, jw = drivers_of(design, air), 2j * np.pi * F
    parts = [
        DriverPart("woofer", drivers["woofer"], "woofer", "box"),
        VentPart("vent", "box"),
        DriverPart("tweeter", drivers["tweeter"], "tweeter"),
    ]
    mass = np.zeros((3, 3))
    mass[:2, :2], mass[2, 2] = MASS, 1e-6
    network = solve_network(F, parts, jw * mass[:, :, None], boxes_of(design), air=air)
    areas = np.array([drivers["woofer"].sd, boxes_of(design)["box"].vent.area, drivers["tweeter"].sd])
    sphere = sphere_directions()

    def way(pressure):
        return Directivity(np.broadcast_to(pressure, (len(sphere), len(F))), sphere, F, provenance={"kind": "predicted"})

    filters = responses(design, F)
    ways = {n: way(jw * air.density / (4 * np.pi) * (areas @ network.velocity[i])) for i, n in enumerate(network.ways)}
    total = way(sum(filters[n] * ways[n].on_axis() for n in ways))
    speed = sum(filters[n] * network.velocity[i, 1] for i, n in enumerate(network.ways))
    own = {n: Response(F, network.displacement[i, p], "m") for i, (n, p) in enumerate((("woofer", 0), ("tweeter", 2)))}
    return Prediction(
        design,
        ways,
        filters,
        total,
        total,
        {n: Impedance(F, network.impedance[i]) for i, n in enumerate(network.ways)},
        own,
        own,
        {"vent": Response(F, speed, "m/s")},
    )


@pytest.fixture(scope="module")
def report():
    return run_motors(make_prediction(make_design()))


def test_small_signals_have_the_predictions_level(report):
    run = report.runs["woofer"]
    spl = run.sound.spl_db[0] - 20 * np.log10(run.sound.level[0])
    way = report.prediction.ways["woofer"].on_axis()
    wanted = np.interp(np.log(run.sweep.frequency), np.log(F), 20 * np.log10(np.abs(way) / 20e-6))
    quiet = run.sweep.frequency > 100
    # what remains is the first level's own compression and the creep that the small-signal circuit does not know
    assert np.max(np.abs(spl - wanted)[quiet]) < 0.15


def test_the_airs_mass_is_read_back(report):
    system = report.runs["woofer"].system
    assert system.radiation_mass == pytest.approx(MASS, rel=0.02)


def test_levels_fall_with_the_criterion_and_name_their_cause(report):
    three, ten, long = (report.limits[c] for c in ("3 %", "10 %", "long-term"))
    assert np.all(three.level_db <= ten.level_db + 0.01) and np.all(long.level_db <= ten.level_db + 0.01)
    known = {
        "distortion 3 %, woofer",
        "air speed in the vent, woofer",
        "end of travel, woofer",
        "amplifier voltage, woofer",
        "amplifier current, woofer",
        "heat in a second, woofer",
        "excursion, tweeter",
        "amplifier voltage, tweeter",
    }
    assert set(three.cause) <= known and len(set(three.cause)) >= 3
    assert any(c.startswith("heat for ever") for c in long.cause)
    assert set(three.way_level_db) == {"woofer", "tweeter"}


def test_the_verdict_has_lines_for_level_displacement_heat_and_standard(report):
    lines = {line.name: line for line in report.lines}
    assert lines["displacement limit, woofer"].found.endswith("mm")
    judged = lines["maximum level, 10 %"]
    assert judged.passed is not None and judged.cause and lines["maximum level, 3 %"].passed is None
    assert any(n.startswith("harmonic distortion of woofer, 40 to 250 Hz") for n in lines)
    assert lines["coil temperature, woofer"].passed is not None and "damping winding, woofer" in lines
    assert report.to_dict()["lines"][0]["group"] == "motor"


def test_parts_stand_beside_typed_parameters(report):
    run = report.runs["woofer"]
    assert run.parts["Bl"] == pytest.approx((5.0, 5.0)) and run.budget["cone"] == pytest.approx(2.4e-3)


def test_the_report_is_drawn(report):
    from evenfield.report.html import render_html
    from evenfield.report.motor_document import motor_document

    document = motor_document(report)
    pictures = [p for s in document.sections for p in s.parts if hasattr(p, "svg")]
    assert len(pictures) >= 8 and all(p.svg or p.refused for p in pictures) and not any(p.refused for p in pictures)
    text = render_html(document)
    assert "Caution: levels such as these" in text and "The damping winding" in text and "unverified" in text


def test_the_main_verdict_and_report_take_them_up(report):
    from evenfield.loudspeaker.verdict import judge
    from evenfield.report.build import build_document
    from evenfield.report.subject import Subject

    whole = replace(report.prediction, motors=report)
    verdict = judge(whole)
    assert {line.name for line in report.lines} <= {line.name for line in verdict.lines}
    plain = judge(report.prediction)
    assert not any(line.group == "motor" for line in plain.lines)
    keys = [s.key for s in build_document(Subject.of(whole), verdict).sections]
    assert keys.index("high-level") < keys.index("motor-woofer") < keys.index("evidence")


def test_without_motors_only_linear_limits_count():
    p = make_prediction(make_design(None))
    with pytest.raises(DesignError, match=r"ways.woofer.motor must be given, got nothing.*from_xmax: true"):
        run_motors(p)
    limits = level_limits(p, {n: way_limits(p, n) for n in p.design.ways})["10 %"]
    assert set(limits.cause) <= {
        "excursion, woofer",
        "air speed in the vent, woofer",
        "amplifier voltage, woofer",
        "amplifier current, woofer",
        "excursion, tweeter",
        "amplifier voltage, tweeter",
    }


def test_curves_from_xmax_are_stated_as_assumed():
    driver = Driver.from_parameters(re=5.6, bl=5.0, mms=6.4e-3, fs=58.0, qms=4.5, sd=55e-4, xmax=3e-3)
    typed = read_large_signal({"from_xmax": True}, "m", driver)
    assert float(typed.force_factor(3e-3)) == pytest.approx(0.82 * 5.0)
    assert float(typed.stiffness(3e-3)) == pytest.approx(1 / driver.cms / 0.75)
    assert "assumed" in typed.notes[0]
    with pytest.raises(DesignError, match="used with a driver whose xmax is given"):
        read_large_signal({"from_xmax": True}, "m", replace(driver, xmax=None))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"stifness": 1}, r"large_signal.stifness must be one of"),
        ({"force_factor": {"at": ["-6 mm", "0 mm"], "share": [0.5, 0.8]}}, "1 at rest"),
        ({"force_factor": {"at": ["-6 mm", "0 mm", "6 mm"], "value": ["5 T", "5 T", "5 T"]}}, "must be a force factor"),
        ({"stiffness": {"reach": "6 mm", "powers": [1, 0, -4e4]}}, "positive everywhere"),
        ({"travel": ["1 mm", "5 mm"]}, "on both sides of rest"),
        ({"heat": {"capacity": ["1 J/K"]}}, "three: coil, steel, magnet"),
        ({"voice_coil": {"wire": "250 mm", "diameter": "25 mm", "depth": "10 mm"}}, "Is the unit right"),
        ({"damping_winding": {"resistance": "0.2 ohm"}}, "force_factor must be given over position"),
        ({"force_factor": None}, r"force_factor must be given over position.*from_xmax"),
    ],
)
def test_bad_sections_say_where(change, words):
    p = make_prediction(make_design())
    design = make_design({k: v for k, v in (CURVES | change).items() if v is not None})
    with pytest.raises(DesignError, match=words) as found:
        run_motors(replace(p, design=design))
    assert found.value.key.startswith("ways.woofer.motor.large_signal")


def test_heat_limits_by_hand():
    """A resistor: P = rise / thermal resistance, U = sqrt(P / R hot) |Z hot|."""
    net = HeatNetwork((1.0, 100.0, 100.0), 0.5, 1e6, 0.5, hottest=220.0)
    hot = 6.0 * (1 + 0.00393 * 200)
    found = heat_limits(net, np.array([6.0 + 0j]), 6.0, 0.00393)
    assert found["heat for ever"][0] == pytest.approx(np.sqrt(200 / 4.0 * hot), rel=1e-4)
    assert found["heat in a second"][0] > 1.5 * found["heat for ever"][0]


def test_amplifier_noise_at_a_metre():
    """White noise through a flat source: its power over the band, A-weighted; A(1 kHz) = 0 (IEC 61672-1, closed form)."""
    assert a_weighting_db(np.array([1000.0, 100.0, 10000.0])) == pytest.approx([0.0, -19.1, -2.5], abs=0.1)
    p = make_prediction(make_design())
    both = noise_level_db(p, {"woofer": 1e-4, "tweeter": 1e-4})
    assert both > noise_level_db(p, {"woofer": 1e-4})
    assert noise_level_db(p, {"woofer": 1e-3}) - noise_level_db(p, {"woofer": 1e-4}) == pytest.approx(20)
