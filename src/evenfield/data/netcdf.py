"""Directivity as NetCDF-4: dims (direction, frequency), real and imaginary parts, every flag; lossless."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from evenfield.base.errors import DataError, message
from evenfield.data.directions import Directions
from evenfield.data.directivity import Directivity
from evenfield.data.recognise import read_record, record_text

_KIND = "evenfield directivity 1"


def write_netcdf(d: Directivity, path: Path) -> None:
    """Write one Directivity. Raises OSError or RuntimeError as the library does; `write_directivity` makes it plain."""
    from netCDF4 import Dataset

    with Dataset(path, "w", format="NETCDF4") as file:
        file.kind = _KIND
        file.time_convention = "exp(+jwt)"
        file.record = record_text(d)
        file.createDimension("direction", len(d.directions))
        file.createDimension("frequency", len(d.frequency))
        file.createDimension("axis", 3)
        columns = {
            "frequency": (("frequency",), d.frequency, "Hz"),
            "vector": (("direction", "axis"), d.directions.vectors, "1"),
            "pressure_real": (("direction", "frequency"), d.pressure.real, "Pa m / V" if d.level_absolute else "1"),
            "pressure_imag": (("direction", "frequency"), d.pressure.imag, "Pa m / V" if d.level_absolute else "1"),
        }
        if d.directions.weights is not None:
            columns["weight"] = (("direction",), d.directions.weights, "sr")
        for name, (dims, value, unit) in columns.items():
            variable = file.createVariable(name, "f8", dims, zlib=len(dims) == 2, complevel=1, shuffle=True)
            variable[...] = value
            variable.units = unit


def read_netcdf(path: Path) -> Directivity:
    """Read what `write_netcdf` wrote. Raises DataError where it is another kind of NetCDF file."""
    from netCDF4 import Dataset

    with Dataset(path) as file:
        if getattr(file, "kind", None) != _KIND:
            raise DataError(
                message("the NetCDF file", f"of kind {_KIND!r}", repr(getattr(file, "kind", "none")), fix="SOFA or CSV")
            )
        file.set_auto_mask(False)
        value = {name: np.array(variable[...]) for name, variable in file.variables.items()}
        record = read_record(str(file.record))
    return Directivity(
        value["pressure_real"] + 1j * value["pressure_imag"],
        Directions(value["vector"], value.get("weight")),
        value["frequency"],
        provenance=record.provenance,
        **record.flags,
    )
