"""A waveguide as a part: solid, files for printer and workshop, printability, and the way back from a scan.

This is the edge towards drawings and printers: lengths here are millimetres, and names that leave the package say so. A part's
own frame: x forward along the axis, y left, z up, origin at the waveguide's centre on the baffle plane.
"""

from __future__ import annotations

from importlib import import_module
from typing import NoReturn

from evenfield.base.errors import EvenfieldError

NEEDS = "Solids and printing need the extra [solid]: pip install 'evenfield[solid]'"


def missing(error: ImportError) -> NoReturn:
    """Raise the one line that says which extra is missing."""
    raise EvenfieldError(f"{NEEDS} (missing here: {error.name}).") from None


def need(*names: str) -> None:
    """Raise that line unless all these packages can be imported; all that a part needs when none is named."""
    for name in names or ("build123d", "manifold3d", "trimesh", "embreex", "lib3mf", "ezdxf"):
        try:
            import_module(name)
        except ImportError as error:
            missing(error)
