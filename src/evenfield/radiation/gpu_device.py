"""CUDA devices through CuPy: which there are, how kernels are run on them, and when `device=` takes one."""

from __future__ import annotations

import importlib.util
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import cache, cached_property
from pathlib import Path
from typing import Any, Literal, Protocol

from evenfield.base import DesignError, message

DeviceName = Literal["auto", "cpu", "gpu"]
Precision = Literal["single", "double"]

SMALLEST_BODY = 400
"""Unknowns; `device="auto"` leaves smaller bodies to the CPU, which needs some 10 ms for them."""
SLOWEST_DOUBLE = 4
"""Ratio of single to double precision speed above which `device="auto"` leaves double precision to the CPU."""
HINT = "device='gpu' needs CuPy and a CUDA card: pip install 'evenfield[gpu]', or device='auto'."

SOURCES = ("common", "far", "near", "sources", "iteration", "field", "adjoint")
"""Files of `cuda/`, in the order in which they are joined."""


class Holder(Protocol):
    """What has a matrix on a device."""

    @property
    def bytes_needed(self) -> int:
        """Of memory, by its solve."""

    def release(self) -> None:
        """Give its memory back."""


class Device(Protocol):
    """Where kernels run.

    arrays : the module that makes arrays there (NumPy's interface); failures : what the device raises when it fails
    turn : held by whoever solves there; holder : who has a matrix in its memory, one at a time
    """

    name: str
    arrays: Any
    failures: tuple[type[Exception], ...]
    turn: AbstractContextManager[Any]
    holder: Holder | None

    def active(self) -> Any:
        """Context in which arrays are made and kernels run on this device."""

    def run(self, precision: Precision, kernel: str, grid: tuple[int, ...], threads: int, *arguments: Any) -> None:
        """Run a kernel on a grid of blocks."""

    def fetch(self, array: Any) -> Any:
        """An array of the device as a NumPy array."""

    def free_bytes(self) -> int:
        """Memory that may be taken."""


def kernel_source() -> str:
    """The kernels' text, all files joined."""
    folder = Path(__file__).parent / "cuda"
    return "\n".join((folder / f"{name}.cu").read_text(encoding="utf-8") for name in SOURCES)


class CudaDevice:
    """A CUDA device through CuPy; `number` as CUDA counts."""

    def __init__(self, number: int) -> None:
        import cupy

        self.arrays: Any = cupy
        # a library of CUDA that is missing, an error of the runtime or the driver, kernels that do not compile
        self.failures: tuple[type[Exception], ...] = (ImportError, RuntimeError, cupy.cuda.compiler.CompileException)
        self.number = number
        self.turn: AbstractContextManager[Any] = threading.RLock()
        self.holder: Holder | None = None
        self._functions: dict[tuple[Precision, str], Any] = {}
        name = cupy.cuda.runtime.getDeviceProperties(number)["name"]
        self.name = name.decode() if isinstance(name, bytes) else str(name)

    @contextmanager
    def active(self) -> Iterator[None]:
        """Context in which arrays are made and kernels run on this device."""
        with self.arrays.cuda.Device(self.number):
            yield

    def run(self, precision: Precision, kernel: str, grid: tuple[int, ...], threads: int, *arguments: Any) -> None:
        """Run a kernel on a grid of blocks of `threads`; call within `active`."""
        key = (precision, kernel)
        if key not in self._functions:
            self._functions[key] = _compiled(precision, self.number).get_function(kernel)
        self._functions[key](grid, (threads,), arguments)

    def fetch(self, array: Any) -> Any:
        """An array of the device as a NumPy array."""
        return self.arrays.asnumpy(array)

    def free_bytes(self) -> int:
        """Free on the card and in CuPy's own pool."""
        with self.active():
            return int(self.arrays.cuda.runtime.memGetInfo()[0] + self.arrays.get_default_memory_pool().free_bytes())

    @cached_property
    def double_ratio(self) -> int:
        """How many times slower double precision is than single."""
        return int(self.arrays.cuda.Device(self.number).attributes.get("SingleToDoublePrecisionPerfRatio", 32))


@cache
def _compiled(precision: Precision, number: int) -> Any:
    """The kernels, compiled for device `number`, the current one (CuPy keeps what it compiled on disk)."""
    import cupy

    single = ("-DREAL=float", "-DDOUBLE=0", "--use_fast_math")
    options = single if precision == "single" else ("-DREAL=double", "-DDOUBLE=1")
    return cupy.RawModule(code=kernel_source(), options=("-std=c++17", *options))


@cache
def cuda_devices() -> tuple[CudaDevice, ...]:
    """Every CUDA device that CuPy sees; none where CuPy or a driver is missing."""
    if importlib.util.find_spec("cupy") is None:
        return ()
    try:
        import cupy

        return tuple(CudaDevice(i) for i in range(cupy.cuda.runtime.getDeviceCount()))
    except Exception:  # CuPy without its libraries or a driver fails in many ways, all of which mean: no device
        return ()


def choose_devices(device: str, unknowns: int | None = None, precision: Precision = "single") -> tuple[CudaDevice, ...]:
    """The CUDA devices to solve on; none for the CPU.

    Parameters
        device : "auto" (devices where there are any and the body is worth it), "cpu" or "gpu"
        unknowns : of the body, where known
    Raises DesignError for another name, or "gpu" where there is none.
    """
    if device not in ("auto", "cpu", "gpu"):
        raise DesignError(message("device", '"auto", "cpu" or "gpu"', device))
    if device == "cpu" or (device == "auto" and unknowns is not None and unknowns < SMALLEST_BODY):
        return ()
    found = cuda_devices()
    if device == "gpu" and not found:
        raise DesignError(HINT)
    if device == "auto" and precision == "double":
        return tuple(d for d in found if d.double_ratio <= SLOWEST_DOUBLE)
    return found
