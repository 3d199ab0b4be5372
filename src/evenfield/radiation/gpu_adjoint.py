"""Gradients on a device: the passes of `adjoint_far`, `adjoint_near` and `adjoint_field` over a body in its memory."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from evenfield.radiation.adjoint_far import FIELD_ROWS, SHAPE_ROWS

if TYPE_CHECKING:
    from evenfield.radiation.gpu_system import DeviceSystem

Complex = NDArray[np.complexfloating[Any, Any]]
Floats = NDArray[np.float64]

THREADS, PAIR_THREADS = 64, 64
POINTS_PER_SPAN, DIRECTIONS_PER_SPAN, MOST_SPANS = 1024, 512, 32


def contract_far(
    member: DeviceSystem, wavenumber: float, adjoint: Complex, pressure: Complex, strength: Complex
) -> tuple[Floats, Complex]:
    """As `adjoint_far.contract`: (P, SHAPE_ROWS) and (K, P, 7)."""
    system, device = member.system, member.device
    count, sides = len(system.grid.position), len(pressure)
    coupling = system.solver.coupling(wavenumber, system.body.volume)
    spans = min(MOST_SPANS, -(-count // POINTS_PER_SPAN))
    with device.active():
        fields = _fields(member, adjoint, pressure, strength)
        out = device.arrays.empty((spans, SHAPE_ROWS + FIELD_ROWS * sides, count), system.real)
        member.run(
            "contract_far", (-(-count // THREADS), spans), THREADS, wavenumber, coupling, *member.images, member.points,
            np.int32(count), np.int32(sides), fields, out,
        )  # fmt: skip
        rows = device.fetch(out.sum(axis=0, dtype=np.float64))
    parts = rows[SHAPE_ROWS:].reshape(sides, 7, 2, count)
    return np.ascontiguousarray(rows[:SHAPE_ROWS].T), (parts[:, :, 0] + 1j * parts[:, :, 1]).transpose(0, 2, 1)


def contract_near(
    member: DeviceSystem, wavenumber: float, adjoint: Complex, pressure: Complex, derivative: Complex
) -> tuple[Floats, float]:
    """As `adjoint_near.contract`: (V, 3) and the derivative by the coupling; double precision whatever the solve's."""
    system, device = member.system, member.device
    body, a = system.body, device.arrays
    coupling = system.solver.coupling(wavenumber, body.volume)
    pairs = sum(len(g) for g in system.near)
    with device.active():
        fields = [member.put(f.astype(complex)) for f in (adjoint, pressure, derivative)]
        corners, by_coupling = a.empty((pairs, 18), a.float64), a.empty(pairs, a.float64)
        begin = 0
        for group, columns, _ in member.groups:
            rule, count = member.double_rules[group.shared], len(group)
            member.run(
                "contract_near", (-(-count // PAIR_THREADS),), PAIR_THREADS, wavenumber, coupling, np.int32(count),
                np.int32(rule.shape[1]), np.int32(max(group.shared, 0)), np.int32(len(pressure)), np.int32(len(body.vertices)),
                np.int32(len(body.triangles)), *member.vertices, *fields, columns, rule,
                corners[begin:], by_coupling[begin:],
            )  # fmt: skip
            begin += count
        out = a.empty((len(body.vertices), 3), a.float64)
        blocks = -(-len(body.vertices) // PAIR_THREADS)
        member.run("gather_triples", (blocks,), PAIR_THREADS, np.int32(len(body.vertices)), *member.corner_lists, corners, out)
        return device.fetch(out), float(by_coupling.sum())


def pull_far(member: DeviceSystem, wavenumber: float, planes: Floats, directions: Floats, weights: Complex) -> Floats:
    """(P, 3 + 8 K): derivatives by position, then for each part the sums of weight u e^{jk u.y} and of weight e^{jk u.y}, re, im;
    for planes (K, P, 4) and weights (K, D)."""
    system, device = member.system, member.device
    sides, count = planes.shape[:2]
    spans = min(MOST_SPANS, max(1, -(-len(directions) // DIRECTIONS_PER_SPAN)))
    with device.active():
        out = device.arrays.empty((spans, 3 + 8 * sides, count), system.real)
        member.run(
            "pull_far", (-(-count // THREADS), spans), THREADS, wavenumber, np.int32(count), np.int32(sides),
            np.int32(len(directions)), member.points, member.put(planes.astype(system.real)), member.put(directions),
            member.put(weights.astype(system.complex)), out,
        )  # fmt: skip
        return np.ascontiguousarray(device.fetch(out.sum(axis=0, dtype=np.float64)).T)


def _fields(member: DeviceSystem, adjoint: Complex, pressure: Complex, strength: Complex) -> Any:
    """(K, P, 18) on the device: what `adjoint_far.point_fields` gives, re and im in turn. Call within `device.active()`."""
    a, (s, e, before, behind), (across, along) = member.device.arrays, member.point_vertices, member.point_curls

    def middle(f: Any) -> Any:
        return ((f[:, s] + f[:, e]) / 2)[..., None]

    def curl(f: Any) -> Any:
        return (f[:, s] - f[:, e])[..., None] * across + (f[:, before] - f[:, behind])[..., None] * along

    here, there, source = (member.put(f.astype(complex)) for f in (adjoint, pressure, strength))
    columns = a.concatenate([middle(here), middle(there), source[..., None], curl(here), curl(there)], axis=2)
    fields = a.empty((*columns.shape[:2], 2 * columns.shape[2]), member.system.real)
    fields[..., 0::2], fields[..., 1::2] = columns.real, columns.imag
    return fields
