"""Motor search: a few dimensions against several goals, by a derivative-free multi-objective method (NSGA-II, pymoo)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfield.base import DesignError, EvenfieldError, message
from evenfield.magnetics.analysis import TEMPERATURES, MotorAnalysis, analyse_motor
from evenfield.magnetics.motor import Motor

GOALS: dict[str, tuple[str, Callable[[MotorAnalysis], float]]] = {
    "asymmetry": ("%", lambda a: 100 * a.asymmetry()),
    "narrowness": ("1/mm", lambda a: 1e-3 / max(min(a.width()), 1e-5)),
    "weakness": ("ohm/(N/A)^2", lambda a: a.resistance / float(np.interp(0, a.displacement, a.force_factor)) ** 2),
    "inductance": ("mH at 1 kHz", lambda a: 1e3 * float(np.interp(0, a.displacement, a.inductance([1e3])[:, 0]))),
    "inductance rise": ("1", lambda a: float(np.ptp(a.inductance([200.0])[:, 0]) / np.mean(a.inductance([200.0])[:, 0]))),
    "mass": ("kg", lambda a: a.mass),
    "cost": ("EUR", lambda a: a.cost),
    "demagnetisation": ("1 - margin", lambda a: 1 - min(p.margin for p in a.operating_points)),
}
"""Name -> (unit, figure); all are to be small. `narrowness` is one over the 82 % width; `weakness` is Re / Bl^2."""

NEED_IMPEDANCE = ("inductance", "inductance rise")


@dataclass(frozen=True)
class MotorSearch:
    """The non-dominated motors found.

    Parameters
        names : (N,) of the dimensions; values : (P, N), SI
        goals : (G,); figures : (P, G), in the units of GOALS, small is good
        evaluated : motors computed; refused : motors that could not be built (reason -> how often)
    """

    names: tuple[str, ...]
    values: NDArray[np.float64]
    goals: tuple[str, ...]
    figures: NDArray[np.float64]
    evaluated: int
    refused: dict[str, int] = field(default_factory=dict)

    def table(self) -> list[dict[str, float]]:
        """One row per motor, by the first goal."""
        order = np.argsort(self.figures[:, 0])
        return [
            {**dict(zip(self.names, self.values[i].tolist(), strict=True)),
             **dict(zip(self.goals, self.figures[i].tolist(), strict=True))}
            for i in order
        ]  # fmt: skip

    def picture(self) -> Any:
        """A matplotlib Figure: every goal against the first, the non-dominated motors as numbered dots."""
        from matplotlib.figure import Figure

        others = max(len(self.goals) - 1, 1)
        figure = Figure(figsize=(3.4 * others, 3.2), layout="constrained")
        order = np.argsort(self.figures[:, 0])
        for j in range(1, len(self.goals)):
            axes = figure.add_subplot(1, others, j)
            axes.plot(self.figures[order, 0], self.figures[order, j], "o", color="#1f4e79", markersize=4)
            for rank, i in enumerate(order):
                at = (self.figures[i, 0], self.figures[i, j])
                axes.annotate(str(rank + 1), at, xytext=(3, 3), textcoords="offset points", fontsize=7)
            axes.set_xlabel(f"{self.goals[0]}, {GOALS[self.goals[0]][0]}")
            axes.set_ylabel(f"{self.goals[j]}, {GOALS[self.goals[j]][0]}")
            axes.grid(alpha=0.3)
        return figure


def search_motor(
    build: Callable[[dict[str, float]], Motor], bounds: Mapping[str, tuple[float, float]], goals: Sequence[str], *,
    evaluations: int = 80, population: int = 16, seed: int = 1, scale: float = 1.6,
    progress: Callable[[int, int], None] | None = None,
) -> MotorSearch:  # fmt: skip
    """Search a few dimensions for the best trade-offs.

    Parameters
        build : dimensions (SI) -> Motor; a DesignError from it or from the analysis counts as "cannot be built"
        bounds : dimension -> (lowest, highest), SI
        goals : names in GOALS, two or more; eddy currents are computed only where a goal needs them
        scale : mesh factor during the search; recompute the chosen motor at 1
        progress : called with (done, evaluations)
    Returns MotorSearch.   Raises DesignError when nothing can be built; EvenfieldError without pymoo.
    Cost: some 1.5 s an evaluation, 4 s with inductance, on two cores.
    Source: K. Deb et al., IEEE Trans. Evolutionary Computation 6 (2002) 182 (NSGA-II).
    """
    unknown = [g for g in goals if g not in GOALS]
    if unknown or len(goals) < 2:
        raise DesignError(message("goals", "two or more of " + ", ".join(GOALS), ", ".join(goals)))
    for name, (low, high) in bounds.items():
        if not low < high:
            raise DesignError(message(f"bounds of {name}", "lowest < highest", (low, high)))
    try:
        from pymoo.algorithms.moo.nsga2 import NSGA2
        from pymoo.core.problem import ElementwiseProblem
        from pymoo.optimize import minimize
    except ImportError:
        raise EvenfieldError("Motor search needs pymoo: pip install 'evenfield[motor]'.") from None
    names = tuple(bounds)
    needs = any(g in NEED_IMPEDANCE for g in goals)
    temperatures = TEMPERATURES if "demagnetisation" in goals else ()
    done: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
    refused: dict[str, int] = {}
    count = 0

    def figures(values: NDArray[np.float64]) -> NDArray[np.float64] | None:
        nonlocal count
        count += 1
        if progress:
            progress(min(count, evaluations), evaluations)
        try:
            motor = build(dict(zip(names, values.tolist(), strict=True)))
            found = analyse_motor(motor, impedance=needs, scale=scale, positions=15, temperatures=temperatures)
        except EvenfieldError as error:
            reason = str(error).split(" must ")[0]
            refused[reason] = refused.get(reason, 0) + 1
            return None
        return np.array([GOALS[g][1](found) for g in goals])

    class _Problem(ElementwiseProblem):  # type: ignore[misc]
        def _evaluate(self, x: NDArray[np.float64], out: dict[str, Any], *_: Any, **__: Any) -> None:
            f = figures(x)
            if f is not None:
                done.append((x.copy(), f))
            out["F"] = np.full(len(goals), 1e3) if f is None else f
            out["G"] = [1.0 if f is None else -1.0]

    least, most = (np.array([b[i] for b in bounds.values()]) for i in (0, 1))
    problem = _Problem(n_var=len(names), n_obj=len(goals), n_ieq_constr=1, xl=least, xu=most)
    minimize(problem, NSGA2(pop_size=population), ("n_eval", evaluations), seed=seed, verbose=False)
    if not done:
        raise DesignError(
            message("motor search", "given bounds within which a motor can be built", f"{count} refusals",
                    cause="; ".join(f"{k} ({v} times)" for k, v in sorted(refused.items(), key=lambda i: -i[1])[:3]))
        )  # fmt: skip
    values, found = np.array([d[0] for d in done]), np.array([d[1] for d in done])
    front = non_dominated(found)
    return MotorSearch(names, values[front], tuple(goals), found[front], count, refused)


def non_dominated(f: NDArray[np.float64]) -> NDArray[np.int64]:
    """Indices of the rows of f (P, G) that no other row beats in every goal."""
    better = np.all(f[:, None] <= f[None], axis=2) & np.any(f[:, None] < f[None], axis=2)
    return np.flatnonzero(~better.any(axis=0))
