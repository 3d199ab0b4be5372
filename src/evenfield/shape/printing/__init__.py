"""A waveguide as a part: solid, files for printer and workshop, printability, and the way back from a scan.

This is the edge towards drawings and printers: lengths here are millimetres, and names that leave the package say so. A part's
own frame: x forward along the axis, y left, z up, origin at the waveguide's centre on the baffle plane.
"""

from __future__ import annotations

from typing import NoReturn

from evenfield.base.errors import EvenfieldError

NEEDS = "Solids and printing need the extra [solid]: pip install 'evenfield[solid]'"


def missing(error: ImportError) -> NoReturn:
    """Raise the one line that says which extra is missing."""
    raise EvenfieldError(f"{NEEDS} (missing here: {error.name}).") from None
