"""Wire, coils, moving parts and what follows from them."""

import math

import numpy as np
import pytest

from evenfield.base import Air, DesignError
from evenfield.transducer.coil import LR2
from evenfield.transducer.large_signal_motor import LargeSignalMotor
from evenfield.transducer.moving_mass import MovingParts, VoiceCoil, cone_mass, driver_from_parts, effective_area
from evenfield.transducer.position_curve import PositionCurve
from evenfield.transducer.suspension import Suspension
from evenfield.transducer.wire import ALUMINIUM, COPPER, Wire, gauge_diameter


@pytest.mark.parametrize(
    ("gauge", "mm", "ohm_per_km"), [(20, 0.8118, 33.31), (24, 0.5106, 84.22), (30, 0.2546, 338.6), (36, 0.1270, 1361.0)]
)
def test_wire_gauges(gauge, mm, ohm_per_km):
    """ASTM B258 diameters; ohm/km at 20 degC of the handbook table for annealed copper (from memory)."""
    assert 1e3 * gauge_diameter(gauge) == pytest.approx(mm, abs=6e-5)
    assert 1e3 * Wire(gauge_diameter(gauge)).resistance_per_length == pytest.approx(ohm_per_km, rel=1.5e-3)


def test_copper_warms_by_its_coefficient():
    """IEC 60028: 0.00393 / K at 20 degC; ratio at +100 K 1.393 (closed form)."""
    assert COPPER.resistance_ratio(120.0) == pytest.approx(1.393)
    assert COPPER.temperature(1.393) == pytest.approx(120.0)
    assert ALUMINIUM.resistance_ratio(120.0) == pytest.approx(1.403)


def test_enamelled_wire_of_the_preferred_row():
    """0.200 mm grade 1: at most 0.226 mm overall (IEC 60317-0-1, from memory)."""
    wire = Wire(0.2e-3)
    assert wire.pitch == pytest.approx(0.226e-3, rel=1e-9)
    assert wire.mass_per_length == pytest.approx(8890 * math.pi * 1e-8 + 1350 * math.pi / 4 * (0.226**2 - 0.2**2) * 1e-6)
    flat = Wire(0.1e-3, 0.4e-3, coating=0.01e-3)
    assert flat.area == pytest.approx(4e-8) and flat.pitch == pytest.approx(0.12e-3) and flat.layer == pytest.approx(0.42e-3)


def test_a_coil_of_two_layers_by_hand():
    wire = Wire(0.25e-3, coating=0.0155e-3)
    coil = VoiceCoil(wire, 25e-3, 12e-3, 2, "polyimide", 0.1e-3, 20e-3)
    assert coil.turns == 2 * 42
    length = 42 * math.pi * (25.2e-3 + wire.layer) + 42 * math.pi * (25.2e-3 + 3 * wire.layer)
    assert coil.wire_length == pytest.approx(length)
    assert coil.resistance == pytest.approx(1.7241e-8 * length / (math.pi / 4 * 0.25e-3**2))
    assert coil.outer_diameter == pytest.approx(25e-3 + 2 * (0.1e-3 + 2 * 0.281e-3))
    assert coil.former_mass == pytest.approx(1420 * math.pi * 25.1e-3 * 0.1e-3 * 20e-3)
    nested = VoiceCoil(wire, 25e-3, 12e-3, 2, packing=0.87)
    assert nested.build == pytest.approx(1.87 * wire.layer)


def test_parameters_follow_from_parts():
    coil = VoiceCoil(Wire(0.25e-3), 25e-3, 12e-3)
    cone = cone_mass(0.12, 0.025, 0.03, 0.3)
    assert cone == pytest.approx(0.3 * math.pi * 0.0725 * math.hypot(0.0475, 0.03))
    parts = MovingParts(coil, cone, dust_cap=0.6e-3, surround=3e-3, spider=1.2e-3, glue=0.7e-3, more={"ring": 0.2e-3})
    assert parts.budget()["surround"] == pytest.approx(1.5e-3)
    assert parts.mass == pytest.approx(sum(parts.budget().values()))
    motor = LargeSignalMotor.typed(PositionCurve.constant(7.0, 8e-3), LR2(2e-4, 4e-4, 4.0))
    sd = effective_area(0.12, 0.012)
    driver = driver_from_parts(parts, motor, Suspension.linear(8e-4, 8e-3), sd, qms=5.0, xmax=4e-3)
    p = driver.parameters()
    assert p["Re"] == pytest.approx(coil.resistance) and p["Bl"] == 7.0 and p["Qms"] == pytest.approx(5.0)
    air = Air()
    assert p["Mms"] == pytest.approx(parts.mass + 16 / 3 * air.density * (sd / math.pi) ** 1.5)
    assert p["Fs"] == pytest.approx(1 / (2 * math.pi * math.sqrt(p["Mms"] * 8e-4)))


def test_unit_slips_are_caught():
    with pytest.raises(DesignError, match=r"0.01 to 5 mm, got 250 mm. Is the unit right"):
        Wire(0.25)
    with pytest.raises(DesignError, match=r"5 to 200 mm, got 2\.5e"):
        VoiceCoil(Wire(0.25e-3), 25.0, 12e-3)
    with pytest.raises(DesignError, match="one of aluminium, polyimide"):
        VoiceCoil(Wire(0.25e-3), 25e-3, 12e-3, former_material="wood")
    coil = VoiceCoil(Wire(0.25e-3), 25e-3, 12e-3)
    with pytest.raises(DesignError, match=r"mass of cone must be 0 to 2 kg, got 12.0 kg"):
        MovingParts(coil, 12.0)
    motor = LargeSignalMotor.typed(PositionCurve.constant(7.0, 8e-3), LR2(2e-4, 4e-4, 4.0))
    with pytest.raises(DesignError, match="given once, as Qms or as Rms"):
        driver_from_parts(MovingParts(coil, 1e-2), motor, Suspension.linear(8e-4, 8e-3), 0.01)
    assert np.isfinite(coil.heat_capacity)
