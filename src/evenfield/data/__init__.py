"""The frozen types that travel between the rooms of the house, their readers and writers."""

from evenfield.data.blocked_impedance import BlockedImpedance
from evenfield.data.directions import Directions, orbit_vectors, sphere_directions
from evenfield.data.directivity import Directivity
from evenfield.data.impedance import Impedance
from evenfield.data.meridian import Meridian
from evenfield.data.mesh import SurfaceMesh
from evenfield.data.motor_curves import MotorCurves
from evenfield.data.response import Response

__all__ = [
    "BlockedImpedance",
    "Directions",
    "Directivity",
    "Impedance",
    "Meridian",
    "MotorCurves",
    "Response",
    "SurfaceMesh",
    "orbit_vectors",
    "sphere_directions",
]
