"""Thiele/Small algebra: from any sufficient set of parameters to all of them, and whether they agree.

Every relation is a product of powers (Qts in its reciprocals), so each is written once and solved for any member.
Sources: A. N. Thiele, JAES 19 (1971) 382; R. H. Small, JAES 20 (1972) 383; IEC 60268-5.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations

from evenfield.base import Air, DesignError, message

NAMES = ("Re", "Le", "Fs", "Qms", "Qes", "Qts", "Vas", "Sd", "Bl", "Mms", "Cms", "Rms", "Xmax")
"""The Thiele/Small names; SI units (ohm, H, Hz, 1, 1, 1, m3, m2, T m, kg, m/N, N s/m, m)."""

CORE = ("Re", "Sd", "Bl", "Mms", "Cms", "Rms")
"""What the circuit needs; all else follows."""

TOLERANCE = 0.02
"""Relative disagreement of two ways to the same parameter that is still read as rounding."""

_PLAUSIBLE = {
    "Re": (0.1, 2000.0, "ohm"),
    "Le": (0.0, 0.1, "H"),
    "Fs": (1.0, 20e3, "Hz"),
    "Qms": (0.05, 200.0, ""),
    "Qes": (0.02, 100.0, ""),
    "Qts": (0.02, 50.0, ""),
    "Vas": (1e-9, 20.0, "m3"),
    "Sd": (1e-6, 1.0, "m2"),
    "Bl": (0.05, 200.0, "T m"),
    "Mms": (1e-6, 5.0, "kg"),
    "Cms": (1e-7, 0.1, "m/N"),
    "Rms": (1e-4, 1e3, "N s/m"),
    "Xmax": (1e-6, 0.2, "m"),
}


@dataclass(frozen=True)
class _Power:
    """constant * prod(member^exponent) = 1; a member may be given as two Q in parallel."""

    exponents: Mapping[str, float]
    constant: float
    text: str

    def solve(self, target: str, known: Mapping[str, float]) -> float:
        rest = self.constant
        for name, exponent in self.exponents.items():
            if name != target:
                rest *= known[name] ** exponent
        return float(rest ** (-1 / self.exponents[target]))


@dataclass(frozen=True)
class _Parallel:
    """1/Qts = 1/Qms + 1/Qes."""

    exponents: Mapping[str, float]
    text: str = "Qts = Qms Qes / (Qms + Qes)"

    def solve(self, target: str, known: Mapping[str, float]) -> float:
        if target == "Qts":
            return 1 / (1 / known["Qms"] + 1 / known["Qes"])
        other = known["Qes" if target == "Qms" else "Qms"]
        rest = 1 / known["Qts"] - 1 / other
        return 1 / rest if rest > 0 else math.inf


def _relations(air: Air) -> tuple[_Power | _Parallel, ...]:
    two_pi = 2 * math.pi
    return (
        _Power({"Fs": 2.0, "Mms": 1.0, "Cms": 1.0}, two_pi**2, "Fs = 1 / (2 pi sqrt(Mms Cms))"),
        _Power({"Vas": 1.0, "Cms": -1.0, "Sd": -2.0}, 1 / _stiffness(air), "Vas = rho c2 Sd2 Cms"),
        _Power({"Qms": 1.0, "Rms": 1.0, "Fs": -1.0, "Mms": -1.0}, 1 / two_pi, "Qms = 2 pi Fs Mms / Rms"),
        _Power({"Qes": 1.0, "Bl": 2.0, "Fs": -1.0, "Mms": -1.0, "Re": -1.0}, 1 / two_pi, "Qes = 2 pi Fs Mms Re / Bl2"),
        _Parallel({"Qts": 1.0, "Qms": 1.0, "Qes": 1.0}),
    )


def _stiffness(air: Air) -> float:
    return air.density * air.speed_of_sound**2


def complete(given: Mapping[str, float], air: Air) -> dict[str, float]:
    """Every Thiele/Small parameter that follows from `given` (SI); the given ones unchanged."""
    known = dict(given)
    relations = _relations(air)
    found = True
    while found:
        found = False
        for relation in relations:
            missing = [n for n in relation.exponents if n not in known]
            if len(missing) == 1:
                known[missing[0]] = relation.solve(missing[0], known)
                found = True
    return known


def reachable(names: Iterable[str]) -> frozenset[str]:
    """The names that `complete` would know from parameters of these names."""
    known = set(names)
    while True:
        found = [m for r in _relations(Air()) if len(m := set(r.exponents) - known) == 1]
        if not found:
            return frozenset(known)
        known |= found[0]


def check_parameters(given: Mapping[str, float], air: Air, key: str | None = None) -> dict[str, float]:
    """`complete`, or DesignError: a value out of range, members missing, members that contradict each other.

    The error says which, by how much, and which additions would suffice; its key is `key` or `key`.<name in lower case>.
    """
    for name, value in given.items():
        _check_value(name, value, key)
    known = complete(given, air)
    _check_agreement(given, known, air, key)
    if any(n not in known for n in CORE):
        _refuse_missing(given, known, key)
    return known


def _check_value(name: str, value: float, key: str | None) -> None:
    where = None if key is None else f"{key}.{name.lower()}"
    if name not in NAMES:
        raise DesignError(message("driver parameter", f"one of {', '.join(NAMES)}", repr(name)), where)
    low, high, unit = _PLAUSIBLE[name]
    if not (isinstance(value, (int, float)) and math.isfinite(value) and low <= value <= high):
        cause = "The unit may be wrong" if math.isfinite(value) and value > 0 else ""
        rule = f"{low:g} to {high:g} {unit}".strip()
        raise DesignError(message(where or name, rule, f"{value} {unit}".strip(), cause=cause), where)


def _check_agreement(given: Mapping[str, float], known: Mapping[str, float], air: Air, key: str | None) -> None:
    clashes = []
    for relation in _relations(air):
        names = list(relation.exponents)
        hopeless = isinstance(relation, _Power) and any(known.get(n, 1.0) in (0.0, math.inf) for n in names)
        if hopeless or any(n not in known for n in names):
            continue
        # the left-hand member as the relation gives it, against the value in hand
        expected, actual = relation.solve(names[0], known), known[names[0]]
        difference = actual / expected - 1 if math.isfinite(expected) and expected > 0 else math.inf
        if any(math.isinf(known[n]) for n in names) or abs(difference) > TOLERANCE:
            derived = [n for n in names if n not in given]
            note = f" ({', '.join(derived)} derived from the others)" if derived else ""
            clashes.append(
                (
                    len(derived),
                    f"{names[0]} = {actual:.4g}, but {relation.text} gives {expected:.4g}: {100 * difference:+.1f} %{note}",
                )
            )
    if clashes:
        clashes.sort(key=lambda c: c[0])
        raise DesignError(
            message(
                key or "driver",
                f"free of contradictions (within {100 * TOLERANCE:g} %)",
                "; ".join(text for _, text in clashes),
                fix="leaving out the member you trust least",
            ),
            key,
        )


def _refuse_missing(given: Mapping[str, float], known: Mapping[str, float], key: str | None) -> None:
    missing = [n for n in CORE if n not in known]
    sets = _sufficient_additions(given)
    options = " or ".join(" + ".join(s) for s in sets)
    raise DesignError(
        message(
            key or "driver",
            f"given a sufficient set of parameters ({', '.join(CORE)} must follow)",
            f"{', '.join(given) or 'nothing'}",
            cause=f"{', '.join(missing)} cannot be found",
            fix=f"adding {options}",
        ),
        key,
    )


def _sufficient_additions(given: Iterable[str], most: int = 6) -> list[tuple[str, ...]]:
    """The smallest sets of further names that would make the core known."""
    candidates = [n for n in NAMES if n not in reachable(given) and n not in ("Le", "Xmax")]
    for size in range(1, len(candidates) + 1):
        found = [extra for extra in combinations(candidates, size) if reachable((*given, *extra)).issuperset(CORE)]
        if found:
            return found[: most if size == 1 else most // 2]
    return []
