"""Makes `benchmarks/data/ketch-reference.npz`: the mid-field example's far field on meshes much finer than the sweep's.

`python -m benchmarks.engine_reference`: nine frequencies that no sweep uses, 16 down to 12 elements per wavelength on the whole
front, finer near rules. Up to 43 000 unknowns: 16 GB and two minutes on 16 cores. The stored file was made before meshes were
balanced: at 650 and 1290 Hz, where the cabinet's size sets the edges, its own roundings miss up to 0.09 dB. To be made anew.
"""

from __future__ import annotations

import time

import numpy as np

from benchmarks.engine import REFERENCE, ketch

PER_WAVELENGTH = {650.0: 16, 1290.0: 16, 2165.0: 16, 3400.0: 16, 4550.0: 16, 6400.0: 16, 9600.0: 14, 12800.0: 12, 16800.0: 12}


def main():
    from evenfield.data.directions import sphere_directions
    from evenfield.data.facets import balanced
    from evenfield.radiation import SurfaceProblem, SurfaceSolver
    from evenfield.shape import build_surface, edge_lengths_for

    cabinet, air = ketch()
    solver = SurfaceSolver(near_distance=3.0, near_degree=5, touching_order=4, tolerance=1e-5)
    sphere = sphere_directions().vectors
    chosen = np.flatnonzero(sphere[:, 0] >= 0)[::5]
    fields = {"woofer": [], "tweeter": []}
    for f, per_wavelength in PER_WAVELENGTH.items():
        began = time.perf_counter()
        across = max(4.0, per_wavelength / 2)
        lengths = edge_lengths_for(cabinet, f, air.speed_of_sound, per_wavelength, rear_factor=2.0, across_radius=across)
        mesh = balanced(build_surface(cabinet, lengths))
        problem = SurfaceProblem(mesh, motion="axial", mirror=mesh.mirror, air=air, solver=solver)
        found = problem.solve(f)
        far = found.far_field(sphere[chosen])
        for name, rows in fields.items():
            rows.append(far[problem.parts.index(name)])
        print(f"{f:.0f} Hz: {problem.system.unknowns} unknowns, {time.perf_counter() - began:.1f} s", flush=True)
        del problem, found
    REFERENCE.parent.mkdir(exist_ok=True)
    stacked = {name: np.stack(rows, axis=-1).astype(np.complex64) for name, rows in fields.items()}
    np.savez_compressed(REFERENCE, frequency=np.array(list(PER_WAVELENGTH)), directions=chosen, **stacked)


if __name__ == "__main__":
    main()
