"""What the coupled network gives: parts in, NetworkSolution out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.transducer.driver import CompressionDriver, Driver

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


@dataclass(frozen=True)
class DriverPart:
    """A moving part of the mesh driven by a coil.

    Parameters
        name : the part's name in the mesh
        driver : Driver, or CompressionDriver (then the part is the throat)
        way : the way whose terminals feed it
        box : name of the box behind it, or None: the driver's own suspension only, any rear chamber being included in
            its parameters (a tweeter measured in situ)
        area : m2, volume velocity per unit velocity of the part in the mesh; where given, the driver's volume velocity
            Sd v is kept and the part's velocity scaled by Sd / area. None: taken as equal
    """

    name: str
    driver: Driver | CompressionDriver
    way: str
    box: str | None = None
    area: float | None = None

    @property
    def motor(self) -> Driver:
        """The coil and diaphragm."""
        return self.driver.driver if isinstance(self.driver, CompressionDriver) else self.driver

    @property
    def opening(self) -> float:
        """m2, what moves towards the outside: Sd, or the throat."""
        return self.driver.throat_area if isinstance(self.driver, CompressionDriver) else self.driver.sd


@dataclass(frozen=True)
class VentPart:
    """A moving part of the mesh that is the outer end of a box's vent.

    Parameters
        name : the part's name in the mesh
        box : name of its VentedBox
        count : how many of the box's equal tubes this part stands for; None: all of them
        area : m2, as in DriverPart, held against count x the tube's area
    """

    name: str
    box: str
    count: int | None = None
    area: float | None = None


Part = DriverPart | VentPart


@dataclass(frozen=True)
class NetworkSolution:
    """What every part does for 1 V RMS at each way, all other ways shorted; e^{+jwt}, RMS.

    Parameters
        frequency : (F,) Hz
        ways, parts, boxes : names, in the order of their axes (ways by first appearance, boxes as given)
        velocity : (way, part, F) complex, m/s per V: what multiplies the solved field of each mesh part
        diaphragm_velocity : (way, part, F) complex, m/s per V: of coil and diaphragm; of a vent's air
        current : (way, part, F) complex, A per V through each driver's coil; 0 for vents
        way_current : (way, way, F) complex, A per V: [driven, through the terminals of]
        impedance : (way, F) complex, ohm, at the way's terminals, the amplifier's output impedance left out
        box_pressure : (way, box, F) complex, Pa per V
        is_vent : (part,) bool
        lumped_limit_hz : box name -> Hz, above which the lumped box does not hold; inf where its size is unknown
    """

    frequency: Real
    ways: tuple[str, ...]
    parts: tuple[str, ...]
    boxes: tuple[str, ...]
    velocity: Complex
    diaphragm_velocity: Complex
    current: Complex
    way_current: Complex
    impedance: Complex
    box_pressure: Complex
    is_vent: NDArray[np.bool_]
    lumped_limit_hz: Mapping[str, float]

    @property
    def displacement(self) -> Complex:
        """(way, part, F) complex, m RMS per V, of diaphragms and vent air."""
        return np.asarray(self.diaphragm_velocity / (2j * np.pi * self.frequency))

    @property
    def excursion(self) -> Real:
        """(way, part, F) m RMS per V; times sqrt(2) before it is held against Xmax, which is a peak."""
        return np.abs(self.displacement)

    @property
    def vent_speed(self) -> Real:
        """(way, vent, F) m/s RMS per V, mean over the opening; the vents in part order."""
        return np.abs(self.diaphragm_velocity[:, self.is_vent])
