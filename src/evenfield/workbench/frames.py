"""One message of the workbench's socket: a JSON header and the arrays it names, in one binary frame.

See docs/notes/workbench-protocol.md.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base.errors import DataError, message

Header = dict[str, Any]
Arrays = Mapping[str, NDArray[Any]]

DTYPES: dict[str, np.dtype[Any]] = {"f4": np.dtype("<f4"), "u4": np.dtype("<u4"), "u1": np.dtype("u1")}


def encode(header: Header, arrays: Arrays | None = None) -> bytes:
    """A frame. Floats go as f4, integers as u4, bytes as u1."""
    listed, pieces = [], []
    for name, value in (arrays or {}).items():
        code = _code(value.dtype)
        plain = np.ascontiguousarray(value, DTYPES[code])
        listed.append({"name": name, "dtype": code, "shape": list(plain.shape)})
        pieces.append(_padded(plain.tobytes()))
    full = header | {"arrays": listed} if listed else header
    text = json.dumps(full, ensure_ascii=False, separators=(",", ":"), default=_plain, allow_nan=False).encode("utf-8")
    text += b" " * (-len(text) % 4)
    return b"".join((struct.pack("<I", len(text)), text, *pieces))


def decode(frame: bytes) -> tuple[Header, dict[str, NDArray[Any]]]:
    """Header and arrays of a frame. Raises DataError when it is not one."""
    try:
        (length,) = struct.unpack_from("<I", frame)
        header = json.loads(frame[4 : 4 + length].decode("utf-8"))
        if not isinstance(header, dict) or 4 + length > len(frame):
            raise ValueError
        return header, _arrays(header.get("arrays") or (), frame, 4 + length)
    except (struct.error, ValueError, UnicodeDecodeError, KeyError, TypeError, RecursionError):
        raise DataError(message("a frame", "a header length, a JSON header and its arrays", f"{len(frame)} bytes")) from None


def _arrays(listed: Any, frame: bytes, place: int) -> dict[str, NDArray[Any]]:
    found = {}
    for entry in listed:
        kind, shape = DTYPES[entry["dtype"]], tuple(int(n) for n in entry["shape"])
        count = math.prod(shape)
        if min(shape, default=0) < 0 or place + count * kind.itemsize > len(frame):
            raise ValueError
        found[str(entry["name"])] = np.frombuffer(frame, kind, count, place).reshape(shape)
        place += count * kind.itemsize
        place += -place % 4
    return found


def _code(dtype: np.dtype[Any]) -> str:
    if dtype == np.uint8 or dtype == np.bool_:
        return "u1"
    return "u4" if dtype.kind in "iu" else "f4"


def _padded(raw: bytes) -> bytes:
    return raw + bytes(-len(raw) % 4)


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return finite(value.item())
    if isinstance(value, np.ndarray):
        return [finite(v) for v in value.tolist()]
    raise TypeError(f"{type(value).__name__} cannot be sent")


def finite(value: Any) -> Any:
    """The value, or None for a float that JSON cannot hold."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def with_head(frame: bytes, head: Header) -> bytes:
    """The same frame with members of its header set; its arrays are not touched."""
    (length,) = struct.unpack_from("<I", frame)
    header = json.loads(frame[4 : 4 + length].decode("utf-8")) | head
    text = json.dumps(header, ensure_ascii=False, separators=(",", ":")).encode("utf-8")
    text += b" " * (-len(text) % 4)
    return b"".join((struct.pack("<I", len(text)), text, memoryview(frame)[4 + length :]))
