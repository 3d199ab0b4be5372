"""Parts and cost: what the loudspeaker is made of, what each part costs where the design says so, and the total."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from evenfield.base.errors import EvenfieldError
from evenfield.base.units import parse_amount
from evenfield.filters.passive_parts import Load
from evenfield.filters.passive_series import PriceRule, written
from evenfield.loudspeaker.design import Design
from evenfield.workbench.pictures.picture import Picture, table_picture

GIVEN, RULE = "given", "invented rule"


@dataclass(frozen=True)
class Part:
    """One line: group, key, name, what it is; price in EUR, None where none is known, and where it is from."""

    group: str
    key: str
    name: str
    what: str
    price: float | None = None
    source: str = ""


def parts(design: Design, printed: Mapping[str, Picture] | None = None) -> Picture:
    """The parts of a design.

    Parameters
        printed : way -> what the work `part` found of its printed waveguide
    """
    listed = [*_parts(design, printed or {})]
    rows = [(p.name, p.what, _money(p.price), p.source) for p in listed]
    keys, groups = [p.key for p in listed], [p.group for p in listed]
    total = sum(p.price for p in listed if p.price is not None)
    without = [p.name for p in listed if p.price is None]
    words = f"{len(listed) - len(without)} of {len(listed)} parts have a price"
    rows.append(("Total", words, _money(total) if len(without) < len(listed) else "", ""))
    keys.append("total")
    groups.append("Total")
    states = ["" for _ in rows]
    most = design.brief.dearest
    if most is not None:
        met = total <= float(most)
        rows.append(("Brief: at most", "", _money(float(most)), ""))
        keys.append("dearest")
        groups.append("Total")
        states.append("met" if met and not without else "not judged" if met else "not met")
    made = table_picture(
        "Parts and cost",
        "Prices are those of the design's cost section and parts; 'invented rule' is a rule of this program for comparing "
        "networks with each other, not an offer.",
        [("name", "Part", "left"), ("what", "What", "left"), ("value", "Price", "right"), ("source", "Price from", "left")],
        rows, keys, states,
    )  # fmt: skip
    made.header["groups"] = groups
    made.header["values"] = {"total_eur": round(total, 2), "without": len(without)}
    if any(w.waveguide is not None and n not in (printed or {}) for n, w in design.ways.items()):
        made.header["needs"] = "part"
    return made


def total_of(design: Design) -> float:
    """Sum of the known prices without printed parts, EUR."""
    return sum(p.price for p in _parts(design, {}) if p.price is not None)


def _parts(design: Design, printed: Mapping[str, Picture]) -> Iterator[Part]:
    prices = dict(_leaves(design.cost or {}, ()))
    for name, way in design.ways.items():
        driver = way.driver
        if driver is None:
            continue
        what = f"{driver.kind}" + (f", Sd {1e4 * float(driver.sd):.3g} cm2" if driver.sd is not None else "")
        what += ", own motor" if way.motor is not None else ""
        price = _taken(prices, (name,), (name, "driver"), ("drivers", name), ("driver", name))
        yield Part("Drivers", f"driver.{name}", name, what, price, GIVEN if price is not None else "")
    yield from _filter_parts(design, prices)
    for name, way in design.ways.items():
        if way.waveguide is not None:
            yield _printed(name, design, printed.get(name), prices)
    cabinet = design.cabinet
    size = " x ".join(f"{1e3 * float(v):.4g}" for v in (cabinet.width, cabinet.height, cabinet.depth))
    price = _taken(prices, ("cabinet",), ("box",))
    words = f"{size} mm, walls {1e3 * float(cabinet.wall_thickness):.3g} mm"
    yield Part("Cabinet and further", "cabinet", "Cabinet", words, price,
               GIVEN if price is not None else "")  # fmt: skip
    for path, value in prices.items():
        yield Part("Cabinet and further", "cost." + ".".join(path), " ".join(path).replace("_", " "), "", value, GIVEN)


def _filter_parts(design: Design, prices: dict[tuple[str, ...], float]) -> Iterator[Part]:
    from evenfield.loudspeaker.passive import network_of, passive_section, placeholder_impedance

    section = passive_section(design)
    if section is None:
        for name, way in design.ways.items():
            price = _taken(prices, (name, "amplifier"), ("amplifiers", name), ("amplifier", name))
            volts = "" if way.amplifier.voltage is None else f", amplifier {way.amplifier.voltage.text}"
            yield Part("Filters", f"filters.{name}", f"{name}, active", f"{len(way.filters.sections)} sections{volts}", price,
                       GIVEN if price is not None else "")  # fmt: skip
        return
    rule = PriceRule()
    network = network_of(design, placeholder_impedance(design))
    valued = {part.name: written(part) for part in network.valued}
    for part in network.parts:
        if isinstance(part, Load):
            continue
        given = getattr(part, "price", None)
        value = valued.get(part.name, "")
        yield Part("Filters", f"passive.{part.name}", part.name, f"{part.kind} {value}".strip(), rule.of(part),
                   GIVEN if given is not None else RULE)  # fmt: skip


def _printed(name: str, design: Design, found: Picture | None, prices: dict[tuple[str, ...], float]) -> Part:
    price = _taken(prices, (name, "waveguide"), ("waveguides", name), ("waveguide", name), ("waveguide",))
    what, source = "not reckoned yet", GIVEN if price is not None else ""
    if found is not None:
        values = found.header["values"]
        what = f"{values['mass_g']:.0f} g {values['material']}, {values['hours']:.1f} h of printing"
        if price is None:
            price, source = float(values["cost"]), "material and machine time"
    return Part("Printed parts", f"printed.{name}", f"Waveguide of the {name}", what, price, source)


def _taken(prices: dict[tuple[str, ...], float], *paths: tuple[str, ...]) -> float | None:
    """The first price found at one of the places; it is then no longer listed by itself."""
    for path in paths:
        if path in prices:
            return prices.pop(path)
    return None


def _leaves(node: Mapping[str, Any], head: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], float]]:
    for key, value in node.items():
        if isinstance(value, Mapping):
            yield from _leaves(value, (*head, str(key)))
            continue
        try:
            yield (*head, str(key)), float(value) if isinstance(value, int | float) else float(parse_amount(value, "money"))
        except (EvenfieldError, ValueError, TypeError):
            continue


def _money(value: float | None) -> str:
    return "" if value is None else f"{value:.2f} EUR"


def printed_picture(way: str, report: Any) -> Picture:
    """What judging a printed part found, as it is kept for the table of parts."""
    values = {
        "way": way, "mass_g": float(report.mass_g), "hours": float(report.hours), "cost": float(report.cost),
        "material": str(report.printer.material.name), "passed": report.passed,
    }  # fmt: skip
    rows = [(x.name, {True: "met", False: "not met", None: ""}[x.passed], x.found) for x in report.lines]
    made = table_picture(
        f"Printed part of the {way}", "", [("name", "Line", "left"), ("state", "", "left"), ("found", "Found", "left")], rows
    )
    made.header["values"] = values
    return made


__all__ = ["Part", "parts", "printed_picture", "total_of"]
