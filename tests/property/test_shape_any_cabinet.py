"""Whatever fits can be meshed: closed, true to its areas, symmetric where it should be."""

from __future__ import annotations

import numpy as np
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from evenfield.base import DesignError
from evenfield.shape import (
    PROFILES,
    Cabinet,
    Cone,
    Dome,
    Elliptic,
    Round,
    RoundedRectangle,
    VentOpening,
    Waveguide,
    build_surface,
    edge_lengths_for,
    surface_facts,
)

share = st.floats(0.0, 1.0)


def between(low: float, high: float, u: float) -> float:
    return low + (high - low) * u


@st.composite
def cabinets(draw: st.DrawFn) -> Cabinet:
    width, height, depth = (draw(st.floats(low, high)) for low, high in ((0.14, 0.5), (0.24, 0.7), (0.14, 0.5)))
    edge = draw(st.sampled_from([0.0, 0.003, 0.01, 0.03]))
    flat_w, flat_h = width - 2 * edge - 0.002, height - 2 * edge - 0.002
    tall = between(0.25, 0.45, draw(share)) * flat_h
    wide = between(0.5, 1.0, draw(share)) * flat_w
    mouth = draw(st.sampled_from(["round", "elliptic", "rectangle"]))
    outline = {
        "round": Round(min(tall, wide) / 2),
        "elliptic": Elliptic(wide, tall),
        "rectangle": RoundedRectangle(wide, tall, 0.2 * min(wide, tall)),
    }[mouth]
    radius = between(0.4, 0.98, draw(share)) * min(flat_w, 0.45 * flat_h) / 2
    y = draw(st.sampled_from([0.0, 0.0, 0.3])) * (flat_w / 2 - radius)
    guide = Waveguide(
        Dome("tweeter", 0.012, draw(st.floats(-0.003, 0.008))),
        draw(st.sampled_from([0.012, 0.0123, 0.014])),
        draw(st.floats(0.0, 0.5)),
        draw(st.floats(0.01, 0.06)),
        outline,
        draw(st.floats(0.002, 0.008)),
        draw(st.sampled_from(sorted(PROFILES))),
        z=flat_h / 2 - tall / 2,
    )
    woofer = Cone("woofer", radius, 0.3 * radius, 0.35 * radius, 0.1 * radius, y=y, z=-flat_h / 2 + radius)
    vent = VentOpening("vent", RoundedRectangle(0.3 * flat_w, 0.03, 0.01), y=0.25 * flat_w, face="rear", pair=True)
    try:
        return Cabinet(width, height, depth, edge, (woofer, guide, vent))
    except DesignError:
        assume(False)
        raise


@settings(max_examples=9, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(cabinets(), st.sampled_from([200.0, 1500.0]))
def test_whatever_fits_can_be_meshed(cabinet: Cabinet, frequency: float) -> None:
    edge = edge_lengths_for(cabinet, frequency, 343.2)
    mesh = build_surface(cabinet, edge)
    mesh.check_closed()
    mesh.check_mirror(mesh.mirror)
    assert (mesh.mirror == "y") == cabinet.symmetric
    facts = surface_facts(cabinet, wall=0.0)
    for name, part in facts.parts.items():
        area = mesh.cross[mesh.of_part(name)].sum(axis=0) / 2
        assert np.allclose(area, part.area * np.array(part.axis), atol=1e-5 * part.area)
        assert mesh.longest_edge[mesh.of_part(name)].max() <= 1.5 * edge.of(name)
    assert mesh.volume / facts.body_volume - 1 > -0.03
    assert mesh.volume < facts.body_volume * 1.002
