"""How a part lies on the plate: overhangs and support for every way of lying, and the best of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfield.shape.overhang import LYING
from evenfield.shape.printing.body import Body
from evenfield.shape.printing.plan import PartPlan
from evenfield.shape.printing.rays import Caster, normals_of
from evenfield.shape.printing.settings import Machine

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

COLUMN_MM = 2.0
"""Spacing of the columns in which support is counted, mm."""
_SLACK_DEG = 0.5  # walls at the printer's limit pass
_CLEAN_MM2 = 1.0  # support on less of the acoustic wall than this is none
_TRIED = 5
_FOOT_MM2 = 100.0  # of the part itself on the plate, less than which support does not prop


@dataclass(frozen=True)
class Pose:
    """One way of lying on the plate.

    Parameters
        up : (3,) the part's direction that points up
        on_plate : (3, 4) transform from the part's frame to the plate, mm, its corner the origin
        overhang : (T,) bool, triangles that need support
        overhang_area_mm2, acoustic_area_mm2 : their area, and that on the acoustic wall
        support_volume_mm3 : between them and what is below
        size_mm : (3,) of the part as it lies
        fits : whether that is within the build volume
        stable : whether it stands by itself: its middle of mass over what touches the plate, with room for a tenth of its height
        propped : whether it stands so with its support, whose columns reach the plate, and has a foot of its own
    """

    up: tuple[float, float, float]
    on_plate: Array
    overhang: NDArray[np.bool_]
    overhang_area_mm2: float
    acoustic_area_mm2: float
    support_volume_mm3: float
    size_mm: tuple[float, float, float]
    fits: bool
    stable: bool
    propped: bool = False

    @property
    def stands(self) -> str:
        """How it stands, in words."""
        if self.stable:
            return "by itself"
        return "by its support, which a brim should hold" if self.propped else "needs a brim or more support to stand"

    @property
    def words(self) -> str:
        """How it lies, in words."""
        names = {(1, 0, 0): "throat down, mouth up", (-1, 0, 0): "mouth down, throat up", (0, 1, 0): "on its right edge",
                 (0, -1, 0): "on its left edge", (0, 0, 1): "on its lower edge", (0, 0, -1): "on its upper edge"}  # fmt: skip
        key = tuple(round(v) for v in self.up)
        straight = max(abs(v) for v in self.up) > 0.999
        return names[key] if straight and key in names else "leaning, up is ({:.2f}, {:.2f}, {:.2f})".format(*self.up)


def overhanging(normals: Array, up: Array, limit_deg: float) -> NDArray[np.bool_]:
    """(T,) True on faces that hang over by more than the limit from the vertical."""
    return np.asarray(-(normals @ up) > math.sin(math.radians(min(limit_deg + _SLACK_DEG, 89.9))))


def acoustic_mask(body: Body, plan: PartPlan) -> NDArray[np.bool_]:
    """(T,) True on the triangles of the acoustic wall: those on the grid's own points or within its facets."""
    from scipy.spatial import cKDTree

    vertices, triangles = body.arrays
    centre = vertices[triangles].mean(axis=1)
    normals, _ = normals_of(vertices, triangles)
    points, directions = plan.grid.points.reshape(-1, 3), plan.grid.normals.reshape(-1, 3)
    nearest = cKDTree(points).query(centre, k=4)[1]
    away = np.abs(np.einsum("ijk,ijk->ij", centre[:, None] - points[nearest], directions[nearest]))
    along = np.einsum("ik,ijk->ij", normals, directions[nearest])
    flat_front = (centre[:, 0] > -1e-6) & (normals[:, 0] > 0.999)
    return np.asarray(((away < 0.08) & (along > 0.9)).any(axis=1) & ~flat_front)


def turned(up: Array) -> Array:
    """(3, 3) rotation that takes `up` to the third axis."""
    up = np.asarray(up, float) / np.linalg.norm(up)
    side = np.cross([0.0, 0, 1] if abs(up[2]) < 0.9 else [0.0, 1, 0], up)
    side /= np.linalg.norm(side)
    return np.vstack([side, np.cross(up, side), up])


def candidates() -> Array:
    """(26, 3) directions to try: the sides, edges and corners of a cube; six sides first."""
    grid = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if (x, y, z) != (0, 0, 0)], float)
    grid = grid[np.argsort(np.abs(grid).sum(axis=1), kind="stable")]
    return np.asarray(grid / np.linalg.norm(grid, axis=1, keepdims=True))


def support_volume(vertices: Array, triangles: Ints, overhang: NDArray[np.bool_], caster: Caster, up: Array) -> float:
    """Volume of the support under overhanging faces down to the plate or the part below, mm3, by columns."""
    return support_columns(vertices, triangles, overhang, caster, up)[0]


def support_columns(
    vertices: Array, triangles: Ints, overhang: NDArray[np.bool_], caster: Caster, up: Array
) -> tuple[float, Array]:
    """`support_volume` and (K, 2) mm where columns stand on the plate, in the frame of `turned(up)`."""
    turn = turned(up)
    flat = vertices @ turn.T
    low = flat.min(axis=0)
    x, y = (np.arange(low[k] + COLUMN_MM / 2, flat[:, k].max(), COLUMN_MM) for k in (0, 1))
    at = np.stack(np.meshgrid(x, y, indexing="ij"), -1).reshape(-1, 2) + np.array([0.0137, 0.0071])
    origins = np.column_stack([at, np.full(len(at), low[2] - 1.0)]) @ turn
    depth, line, triangle = caster.all(origins, np.asarray(up, float) / np.linalg.norm(up))
    before = np.where(np.concatenate([[True], line[1:] != line[:-1]]), 1.0, np.concatenate([[0.0], depth[:-1]]))
    held = overhang[triangle] & (depth - before > 0.05)
    return float(np.sum((depth - before)[held])) * COLUMN_MM**2, at[line[held & (before == 1.0)]]


def pose_of(
    body: Body, up: Array, machine: Machine, acoustic: NDArray[np.bool_], caster: Caster | None = None, index: int = 0
) -> Pose:
    """What lying with `up` upwards asks for."""
    vertices, triangles = body.arrays
    up = np.asarray(up, float) / np.linalg.norm(up)
    normals, area = normals_of(vertices, triangles)
    height = vertices @ up
    on_floor = height[triangles].max(axis=1) < height.min() + machine.layer_mm / 2
    overhang = overhanging(normals, up, machine.overhang_deg) & ~on_floor
    support, feet = support_columns(vertices, triangles, overhang, caster or Caster.of(vertices, triangles), up)
    stable = stands(vertices, triangles, up, machine.layer_mm)
    place, size, fits = _laid(_hull(vertices), up, machine, index)
    return Pose(
        (float(up[0]), float(up[1]), float(up[2])), place, overhang, float(area[overhang].sum()),
        float(area[overhang & acoustic].sum()), support, size, fits, stable,
        stable or (bool(area[on_floor].sum() >= _FOOT_MM2) and stands(vertices, triangles, up, machine.layer_mm, feet)),
    )  # fmt: skip


def _hull(vertices: Array) -> Array:
    """The points of the convex hull."""
    from scipy.spatial import ConvexHull

    return np.asarray(vertices[ConvexHull(vertices).vertices])


def _laid(vertices: Array, up: Array, machine: Machine, index: int) -> tuple[Array, tuple[float, float, float], bool]:
    """The transform of a hull's points to the plate's middle, turned so that it fits where any turn does."""
    turn = turned(up)
    corners = vertices @ turn.T
    room = np.array(machine.volume_mm)
    best: tuple[float, Array] | None = None
    for degrees in range(0, 180, 5):
        c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        spin = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
        over = float((np.ptp(corners @ spin.T, axis=0) - room).max())
        if best is None or (over < best[0] - 1e-9 and best[0] > 0):
            best = over, spin
    assert best is not None
    rotation = best[1] @ turn
    laid = corners @ best[1].T
    low, size = laid.min(axis=0), np.ptp(laid, axis=0)
    shift = np.append((room[:2] - size[:2]) / 2, 0.0) - low + [index * (room[0] + 20.0), 0, 0]
    return np.column_stack([rotation, shift]), (float(size[0]), float(size[1]), float(size[2])), best[0] <= 0


def stands(vertices: Array, triangles: Ints, up: Array, layer_mm: float, feet: Array | None = None) -> bool:
    """Whether a body rests on the plate: its middle of mass over the hull of what touches, a tenth of its height inside; `feet`
    (K, 2), mm in the frame of `turned(up)`: where support stands on the plate too.
    """
    from scipy.spatial import ConvexHull, QhullError

    turn = turned(up)
    flat = vertices @ turn.T
    low, high = flat[:, 2].min(), flat[:, 2].max()
    floor = flat[flat[:, 2] < low + layer_mm / 2, :2]
    if feet is not None:
        floor = np.vstack([floor, feet])
    if len(floor) < 3:
        return False
    a, b, c = (flat[triangles[:, k]] for k in range(3))
    piece = np.einsum("ij,ij->i", a, np.cross(b, c))
    middle = (piece[:, None] * (a + b + c) / 4).sum(axis=0) / piece.sum()
    try:
        hull = ConvexHull(floor)
    except QhullError:
        return False
    return bool((hull.equations[:, :2] @ middle[:2] + hull.equations[:, 2]).max() < -0.1 * (high - low))


def best_pose(body: Body, plan: PartPlan, machine: Machine, index: int = 0) -> Pose:
    """The best pose, see `ranked_poses`."""
    return ranked_poses(body, plan, machine, index)[0]


def ranked_poses(body: Body, plan: PartPlan, machine: Machine, index: int = 0) -> list[Pose]:
    """The most promising poses, best first: the one that the printer's section chooses, where it does; those that fit and stand,
    if need be on their support; then those that keep support off the acoustic wall, that stand by themselves, that need least.
    """
    vertices, triangles = body.arrays
    acoustic = acoustic_mask(body, plan)
    normals, area = normals_of(vertices, triangles)
    hopes, hull = [], _hull(vertices)
    for up in candidates():
        height = vertices @ up
        on_floor = height[triangles].max(axis=1) < height.min() + machine.layer_mm / 2
        hangs = overhanging(normals, up, machine.overhang_deg) & ~on_floor
        scar = float(area[hangs & acoustic].sum()) > _CLEAN_MM2
        fits = _laid(hull, up, machine, index)[2]
        still, foot = stands(vertices, triangles, up, machine.layer_mm), float(area[on_floor].sum())
        hopes.append((not fits, scar, not still, foot < _FOOT_MM2, float(area[hangs].sum())))
    caster = Caster.of(vertices, triangles)
    tried = candidates()[sorted(range(len(hopes)), key=hopes.__getitem__)[:_TRIED]]
    poses = [pose_of(body, up, machine, acoustic, caster, index) for up in tried]
    ranked = sorted(poses, key=_worth)
    if machine.lying is None:
        return ranked
    chosen = np.array(LYING[machine.lying])
    return [pose_of(body, chosen, machine, acoustic, caster, index), *(p for p in ranked if np.abs(p.up - chosen).max() > 1e-6)]


def _worth(pose: Pose) -> tuple[bool, bool, bool, bool, float]:
    """Smaller is better."""
    scar = pose.acoustic_area_mm2 > _CLEAN_MM2
    return not pose.fits, not pose.propped, scar, not pose.stable, pose.support_volume_mm3
