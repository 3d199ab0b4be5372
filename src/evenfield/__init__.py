"""evenfield: the workbench on which a studio-monitor company designs its loudspeakers.

Heavy parts load when first asked for, so that the command line starts at once.
"""

from __future__ import annotations

import os as _os
from importlib import import_module as _import_module
from typing import TYPE_CHECKING, Any

# Before numpy loads: BLAS threads beside our own make the solver many times slower.
_os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"

_WHERE = {
    "Air": "evenfield.base",
    "DataError": "evenfield.base",
    "DesignError": "evenfield.base",
    "EvenfieldError": "evenfield.base",
    "MeshError": "evenfield.base",
    "Refusal": "evenfield.base",
    "Directions": "evenfield.data",
    "Directivity": "evenfield.data",
    "Impedance": "evenfield.data",
    "Meridian": "evenfield.data",
    "MotorCurves": "evenfield.data",
    "Response": "evenfield.data",
    "SurfaceMesh": "evenfield.data",
    "read_directivity": "evenfield.data.files",
    "write_directivity": "evenfield.data.files",
    "Design": "evenfield.loudspeaker.design",
    "load_design": "evenfield.loudspeaker.load",
    "Prediction": "evenfield.loudspeaker.predict",
    "predict": "evenfield.loudspeaker.predict",
    "Verdict": "evenfield.loudspeaker.verdict",
    "judge": "evenfield.loudspeaker.verdict",
}
_ROOMS = (
    "base",
    "data",
    "exact",
    "radiation",
    "magnetics",
    "transducer",
    "filters",
    "metrics",
    "rooms",
    "measurement",
    "shape",
    "loudspeaker",
    "search",
    "report",
    "workbench",
)

__all__ = [*_WHERE, *_ROOMS, "__version__"]

if TYPE_CHECKING:
    from evenfield.base import Air as Air
    from evenfield.base import DataError as DataError
    from evenfield.base import DesignError as DesignError
    from evenfield.base import EvenfieldError as EvenfieldError
    from evenfield.base import MeshError as MeshError
    from evenfield.base import Refusal as Refusal
    from evenfield.data import Directions as Directions
    from evenfield.data import Directivity as Directivity
    from evenfield.data import Impedance as Impedance
    from evenfield.data import Meridian as Meridian
    from evenfield.data import MotorCurves as MotorCurves
    from evenfield.data import Response as Response
    from evenfield.data import SurfaceMesh as SurfaceMesh


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(_import_module(_WHERE[name]), name)
    if name in _ROOMS:
        return _import_module(f"evenfield.{name}")
    raise AttributeError(f"module 'evenfield' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
