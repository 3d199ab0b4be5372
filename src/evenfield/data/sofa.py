"""Directivity as SOFA (AES69): FreeFieldDirectivityTF read and written, FIR and general conventions read."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, message
from evenfield.data.directions import spherical_to_vectors
from evenfield.data.directivity import Directivity
from evenfield.data.recognise import Record, assemble, read_record, record_text
from evenfield.data.transfer import transfer_of

CONVENTIONS = ("FreeFieldDirectivityTF", "FreeFieldDirectivityFIR", "GeneralTF", "GeneralFIR")
"""SOFA conventions that are read as a directivity."""

_ABSOLUTE = re.compile(r"\bpa(scal)?\s*(\*?\s*m(et(re|er))?)?\s*(per|/)\s*v(olt)?\b", re.IGNORECASE)
_UNIT = "pascal metre per volt"

FloatArray = NDArray[np.float64]


def read_sofa(path: Path) -> Directivity:
    """Read a directivity: receivers around a source, or a source turned before a receiver.

    Directions are those of the receivers seen from the source, in the frame of SourceView (x) and SourceUp (z). Level is
    absolute only where the file says pascal per volt. Receivers at a distance r are referred to 1 m by r.
    Raises DataError on other conventions, wrong shapes or values that are not finite.
    """
    import sofar

    file = sofar.read_sofa_as_netcdf(str(path))
    convention = str(_get(file, "GLOBAL_SOFAConventions", "none"))
    if convention not in CONVENTIONS:
        raise DataError(
            message("the SOFA convention", "one of " + ", ".join(CONVENTIONS), convention, cause="Not a loudspeaker's")
        )
    frequency, data = _read_data(file)
    measurements, receivers = data.shape[:2]
    ray, distance = _rays(file, measurements, receivers)
    pressure = data.reshape(measurements * receivers, -1)
    record_line = str(_get(file, "GLOBAL_EvenfieldRecord", ""))
    if record_line:
        weight = _get(file, "QuadratureWeight", None)
        own = read_record(record_line)
        return assemble(pressure, ray, frequency, own, None if weight is None else _numbers(weight, "weights").ravel())
    absolute = bool(_ABSOLUTE.search(_words_on_level(file)))
    mean = float(distance.mean())
    wavenumber = 2 * np.pi * frequency / 343.2
    pressure = pressure * (distance / (1.0 if absolute else mean))[:, None]
    if np.ptp(distance) > 1e-6:
        pressure = pressure * np.exp(1j * np.outer(distance - mean, wavenumber))
    words = ("Title", "Organization", "License", "Comment", "References", "DatabaseName")
    said = {name.lower(): str(_get(file, f"GLOBAL_{name}", "")) for name in words}
    provenance = {"file": path.name, "convention": convention, **{name: text for name, text in said.items() if text}}
    return assemble(pressure, ray, frequency, Record({}, provenance), level_absolute=absolute, distance=mean)


def write_sofa(d: Directivity, path: Path) -> None:
    """Write FreeFieldDirectivityTF 1.1, receivers on the unit sphere; flags and quadrature as custom entries (AES69 5.2)."""
    import sofar

    file = sofar.Sofa("FreeFieldDirectivityTF")
    file.GLOBAL_Title = "Directivity"
    file.GLOBAL_ApplicationName = "evenfield"
    file.GLOBAL_Comment = (
        "Value: limit of r p exp(+jkr) per volt at the terminals, time factor exp(+jwt), origin as recorded. "
        + (f"Unit: {_UNIT}." if d.level_absolute else "Level relative.")
    )
    directions = d.directions
    file.ReceiverPosition = np.stack([directions.azimuth_deg, directions.elevation_deg, np.ones(len(directions))], axis=1)
    file.N = np.array(d.frequency)
    file.Data_Real, file.Data_Imag = d.pressure.real[None].copy(), d.pressure.imag[None].copy()
    file.add_attribute("GLOBAL_EvenfieldRecord", record_text(d))
    if directions.weights is not None:
        file.add_variable("QuadratureWeight", directions.weights[:, None], "double", "RI")
    sofar.write_sofa(str(path), file)


def _get(file: Any, name: str, default: Any) -> Any:
    value = getattr(file, name, default)
    return default if value is None else value


def _numbers(value: Any, name: str) -> FloatArray:
    if np.ma.isMaskedArray(value) and np.any(np.ma.getmaskarray(value)):
        raise DataError(message(f"SOFA {name}", "finite", "missing values"))
    out = np.asarray(value, float)
    if not np.all(np.isfinite(out)):
        raise DataError(
            message(f"SOFA {name}", "finite", "NaN or infinity", where=f"first at index {np.argwhere(~np.isfinite(out))[0]}")
        )
    return out


def _read_data(file: Any) -> tuple[FloatArray, NDArray[np.complex128]]:
    """(F,) Hz and (M, R, F) complex from a transfer-function or FIR file; singleton dimensions come back as AES69 has them."""
    receivers = len(np.reshape(_numbers(file.ReceiverPosition, "ReceiverPosition"), (-1, 3))) or 1
    kind = str(_get(file, "GLOBAL_DataType", "none"))
    if kind.startswith("TF"):
        frequency = np.atleast_1d(_numbers(file.N, "N"))
        parts = [_three(_numbers(getattr(file, f"Data_{part}"), part), len(frequency)) for part in ("Real", "Imag")]
        keep = frequency > 0
        data = (parts[0] + 1j * parts[1])[:, :, keep]
        return frequency[keep], data
    if not kind.startswith("FIR"):
        raise DataError(message("the SOFA data type", "TF or FIR", kind))
    samples = _numbers(file.Data_IR, "Data.IR")
    samples = _three(samples, samples.shape[-1])
    if samples.shape[1] != receivers and samples.shape[0] == receivers:
        samples = samples.transpose(1, 0, 2)
    rate = float(np.ravel(_numbers(file.Data_SamplingRate, "Data.SamplingRate"))[0])
    delay = _numbers(_get(file, "Data_Delay", 0.0), "Data.Delay")
    shape = samples.shape[:2]
    delay = np.broadcast_to(delay.reshape(-1, delay.shape[-1]) if delay.ndim > 1 else delay, shape).ravel()
    frequency, transfer = transfer_of(samples.reshape(-1, samples.shape[2]), rate, delay)
    return frequency, transfer.reshape(*shape, -1)


def _three(value: FloatArray, last: int) -> FloatArray:
    """(M, R, N); trailing emitter dimension of one dropped."""
    if value.ndim == 4 and value.shape[-1] == 1:
        value = value[..., 0]
    if value.ndim < 3:
        value = value.reshape((1,) * (3 - value.ndim) + value.shape) if value.shape[-1:] == (last,) else value[..., None]
    if value.ndim == 2:
        value = value[None]
    if value.ndim != 3 or value.shape[2] != last:
        raise DataError(message("SOFA data", f"shaped (measurement, receiver, {last})", value.shape))
    return value


def _rays(file: Any, measurements: int, receivers: int) -> tuple[FloatArray, FloatArray]:
    """(M R, 3) unit vectors from source to receiver in the source's frame, and (M R,) distances, m."""
    position = {name: _place(file, name) for name in ("ReceiverPosition", "SourcePosition", "ListenerPosition")}
    if position["ReceiverPosition"].ndim == 2 and len(position["ReceiverPosition"]) not in (1, receivers):
        raise DataError(message("ReceiverPosition", f"one per receiver ({receivers})", len(position["ReceiverPosition"])))
    receiver = np.broadcast_to(position["ReceiverPosition"], (receivers, 3))[None]
    listener = _per_measurement(position["ListenerPosition"], measurements, "ListenerPosition")[:, None]
    source = _per_measurement(position["SourcePosition"], measurements, "SourcePosition")[:, None]
    ray = receiver + listener - source
    frame = _source_frame(file, measurements)
    ray = np.einsum("mij,mrj->mri", frame, ray).reshape(-1, 3)
    distance = np.linalg.norm(ray, axis=1)
    if np.any(distance < 1e-6):
        raise DataError(message("receivers", "away from the source", "distance 0", where=f"receiver {int(distance.argmin())}"))
    return ray / distance[:, None], distance


def _source_frame(file: Any, measurements: int) -> FloatArray:
    """(M, 3, 3) rows: view, left, up of the source; AES69's default where the file does not say."""
    view = _place(file, "SourceView", default=[1.0, 0.0, 0.0])
    up = _place(file, "SourceUp", default=[0.0, 0.0, 1.0], kind_of="SourceView")
    view, up = (_per_measurement(v, measurements, "SourceView") for v in (view, up))
    x = view / np.linalg.norm(view, axis=1, keepdims=True)
    z = up - np.sum(up * x, axis=1, keepdims=True) * x
    length = np.linalg.norm(z, axis=1, keepdims=True)
    if np.any(length < 1e-6) or not np.all(np.isfinite(x)):
        raise DataError("SourceView and SourceUp of the SOFA file do not make a frame: zero or parallel vectors.")
    z = z / length
    return np.stack([x, np.cross(z, x), z], axis=1)


def _place(file: Any, name: str, default: Any = (0.0, 0.0, 0.0), kind_of: str = "") -> FloatArray:
    """(K, 3) cartesian, m, from a position or view in either coordinate type."""
    value = _numbers(_get(file, name, default), name)
    if value.ndim == 3:
        value = value[..., 0] if value.shape[1] == 3 else value.reshape(-1, 3)
    value = value.reshape(-1, 3)
    kind = str(_get(file, f"{name}_Type", _get(file, f"{kind_of}_Type", "cartesian")))
    if kind.startswith("spherical"):
        return np.asarray(spherical_to_vectors(value[:, 0], value[:, 1]) * value[:, 2:])
    return value


def _per_measurement(value: FloatArray, measurements: int, name: str) -> FloatArray:
    if len(value) not in (1, measurements):
        raise DataError(message(f"SOFA {name}", f"one, or one per measurement ({measurements})", len(value)))
    return np.broadcast_to(value, (measurements, 3))


def _words_on_level(file: Any) -> str:
    names = ("Data_Real_Units", "Data_IR_Units", "GLOBAL_Comment", "GLOBAL_Description")
    return " ".join(str(_get(file, name, "")) for name in names)
