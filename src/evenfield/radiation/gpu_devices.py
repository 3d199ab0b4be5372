"""The devices that one body is solved on: which it fits, which is free, and what to do when a card fails."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from evenfield.radiation.gpu_device import Device, choose_devices
from evenfield.radiation.gpu_system import DeviceSystem

if TYPE_CHECKING:
    from evenfield.radiation.block_gmres import Iteration
    from evenfield.radiation.surface_matrix import SurfaceMatrix

Complex = NDArray[np.complexfloating[Any, Any]]
Result = TypeVar("Result")

SHARE_OF_FREE = 0.95
"""Of a device's free memory, what a solve may take."""


class DeviceSystems:
    """A body on each device that has room for it; false where there is none, and the CPU solves.

    Parameters
        system : SurfaceMatrix
        devices : Devices, or a name as `choose_devices` takes it
    Attributes
        notes : why a device was left out, one line each
    """

    def __init__(self, system: SurfaceMatrix, devices: str | Sequence[Device]) -> None:
        if isinstance(devices, str):
            devices = choose_devices(devices, system.unknowns, system.solver.precision)
        self.system = system
        self.notes: tuple[str, ...] = ()
        self.members = tuple(m for m in (DeviceSystem(system, d) for d in devices) if self._has_room(m))
        self._busy: list[DeviceSystem] = []
        self._turn = threading.Condition()
        self._failures: tuple[type[BaseException], ...] = (MemoryError, *(f for d in devices for f in d.failures))

    def __len__(self) -> int:
        return len(self.members)

    def solve(self, wavenumber: float, derivative: Complex) -> tuple[Iteration, str] | None:
        """Surface pressures (V, K) and the device's name; None where the CPU has to."""
        return self._attempt(lambda member: member.solve(wavenumber, derivative))

    def solve_transposed(self, wavenumber: float, right: Complex) -> tuple[Iteration, str] | None:
        """The transposed system; None where the CPU has to."""
        return self._attempt(lambda member: member.solve_transposed(wavenumber, right), wavenumber)

    def far_field(
        self, wavenumber: float, pressure: Complex, derivative: Complex, directions: NDArray[np.float64]
    ) -> Complex | None:
        """(K, D) far field; None where the CPU has to."""
        return self.work(lambda member: member.far_field(wavenumber, pressure, derivative, directions))

    def work(self, task: Callable[[DeviceSystem], Result], wavenumber: float | None = None) -> Result | None:
        """A task on an idle device, on the one that has the matrix at `wavenumber` if it may; None where the CPU has to."""
        found = self._attempt(task, wavenumber)
        return None if found is None else found[0]

    def release(self) -> None:
        """Give the matrices' memory back."""
        for member in self.members:
            member.release()

    def _has_room(self, member: DeviceSystem) -> bool:
        holder = member.device.holder
        free = member.device.free_bytes() + (holder.bytes_needed if holder is not None else 0)
        if member.bytes_needed <= SHARE_OF_FREE * free:
            return True
        self._note(f"{member.device.name}: this body needs {member.bytes_needed / 1e9:.1f} GB, {free / 1e9:.1f} GB are free")
        return False

    def _note(self, note: str) -> None:
        self.notes = tuple(dict.fromkeys((*self.notes, f"{note}; solved without it")))

    def _attempt(self, work: Callable[[DeviceSystem], Result], prefer: float | None = None) -> tuple[Result, str] | None:
        """Work on an idle device; one that fails is left out from then on, and the next is tried."""
        while (member := self._take(prefer)) is not None:
            try:
                return work(member), member.device.name
            except self._failures as failure:
                self.members = tuple(m for m in self.members if m is not member)
                member.release()
                kind = "out of memory" if isinstance(failure, MemoryError) else type(failure).__name__
                self._note(f"{member.device.name}: {kind} ({(str(failure).splitlines() or [''])[0][:100]})")
            finally:
                with self._turn:
                    self._busy.remove(member)
                    self._turn.notify_all()
        return None

    def _take(self, prefer: float | None) -> DeviceSystem | None:
        """An idle device, one that holds the matrix at wavenumber `prefer` if there is one; waits for the first to fall idle."""
        with self._turn:
            self._turn.wait_for(lambda: len(self._busy) < len(self.members) or not self.members)
            idle = [m for m in self.members if m not in self._busy]
            if not idle:
                return None
            chosen = next((m for m in idle if m.wavenumber == prefer), idle[0])
            self._busy.append(chosen)
            return chosen
