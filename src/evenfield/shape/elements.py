"""What stands on a cabinet's faces: cones, domes, throats, vents, waveguides, coaxial drivers; and the cabinet itself.

Lengths in m. Design frame: origin in the centre of the front face, x forward, y left (looking along +x), z up; the body
fills x = -depth ... 0. Every element has a place (y, z) of its axis on its `face` ("front" or "rear") and a name, which tags its
moving triangles. `frame_radius` is what a driver needs on the face (None: its own radius); `key` is the element's dotted path in
the design file, for error messages.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from evenfield.base.errors import DesignError, message

Face = Literal["front", "rear"]


@dataclass(frozen=True)
class Round:
    """A circular outline of this radius, m."""

    radius: float


@dataclass(frozen=True)
class Elliptic:
    """An ellipse, `width` along y and `height` along z, m."""

    width: float
    height: float


@dataclass(frozen=True)
class RoundedRectangle:
    """A rectangle, `width` along y and `height` along z, with corners of radius `corner_radius`, m."""

    width: float
    height: float
    corner_radius: float


@dataclass(frozen=True)
class Superelliptic:
    """|2y/width|^n + |2z/height|^n = 1: an ellipse at `exponent` n = 2, fuller towards the corners the larger n; m."""

    width: float
    height: float
    exponent: float = 3.0


Outline = Round | Elliptic | RoundedRectangle | Superelliptic


@dataclass(frozen=True)
class Cone:
    """A cone driver: straight concave cone with a spherical dust cap, moving as one part along x.

    Parameters
        name : str; mesh part
        radius : float, m; effective piston radius, half the surround included, so that Sd = pi radius^2
        depth : float >= 0, m; from the baffle plane down to the base of the dust cap
        dust_cap_radius : float < radius, m
        dust_cap_height : float, m; bulges forward when positive, inward when negative
    """

    name: str
    radius: float
    depth: float
    dust_cap_radius: float
    dust_cap_height: float = 0.0
    y: float = 0.0
    z: float = 0.0
    frame_radius: float | None = None
    key: str = ""
    face: Face = "front"


@dataclass(frozen=True)
class Dome:
    """A dome driver: spherical cap over the circle of `radius` (Sd = pi radius^2); negative height is concave; axial motion."""

    name: str
    radius: float
    height: float
    y: float = 0.0
    z: float = 0.0
    frame_radius: float | None = None
    key: str = ""
    face: Face = "front"


@dataclass(frozen=True)
class Throat:
    """The exit of a compression driver as a moving surface.

    Parameters
        shape : "plane": a flat disc moving along x; "cap": a spherical cap that meets a wall of `entry_angle` at right
            angles (a wavefront at the throat). Both have the projected area pi radius^2.
        entry_angle : float, rad from the axis; used by the cap. 0 gives a plane.
    """

    name: str
    radius: float
    shape: Literal["plane", "cap"] = "plane"
    entry_angle: float = 0.0
    y: float = 0.0
    z: float = 0.0
    key: str = ""
    face: Face = "front"


@dataclass(frozen=True)
class Ring:
    """A ring radiator: a moving annulus, raised between its edges, about a rigid plug; axial motion.

    Parameters
        radius, inner_radius : float, m; effective edges of the moving annulus, so that Sd = pi (radius^2 - inner_radius^2)
        height : float, m; of the roll's crest over its edges; negative: a trough
        plug_height : float >= 0, m; of the rounded plug in the centre, 0: flat
    """

    name: str
    radius: float
    inner_radius: float
    height: float = 0.0
    plug_height: float = 0.0
    y: float = 0.0
    z: float = 0.0
    frame_radius: float | None = None
    key: str = ""
    face: Face = "front"


Source = Dome | Throat | Ring
"""What can stand at the throat of a waveguide."""


@dataclass(frozen=True)
class VentOpening:
    """The mouth of a vent: a flat flush moving disc or rounded rectangle on the front or rear face.

    `pair` adds its mirror image at -y: two openings that move as one part.
    """

    name: str
    outline: Outline
    y: float = 0.0
    z: float = 0.0
    face: Face = "front"
    key: str = ""
    pair: bool = False


@dataclass(frozen=True)
class Waveguide:
    """A recessed waveguide with rigid walls and a source at its throat.

    Parameters
        source : Dome, Throat or Ring; its name tags the moving part. A source smaller than the throat leaves a flat rigid ring;
            a gap under 5 % of the throat is closed by drawing the wall in to the source's rim.
        throat_radius : float, m
        entry_angle : float, rad from the axis, of the wall at the throat
        depth : float, m; from the throat plane to the baffle
        mouth : outline in the baffle plane, where the wall has become tangent to the baffle
        rounding : float, m; least radius of curvature of the mouth's edge in every plane through the axis
        profile : str; a name in `evenfield.shape.profiles.PROFILES`
        clearance : float, m; what the flange needs on the baffle around the mouth
        stations : (K,) shares of the wall's length up to where the mouth's rounding begins, increasing, the last one 1, at
            which the free profile states angles; empty: evenly spaced
        angles, angles_vertical, angles_diagonal : (K,) rad from the axis, not falling; the free profile's wall at the
            stations in the horizontal, vertical and diagonal (45 degrees) planes. Empty: as horizontal; diagonal: the mean.
        transition : (from, to), shares of the wall: round up to the first, the mouth's own cross-section from the second;
            (0, 0): each direction goes its own way from the throat
        proud : float, m; how far the mouth stands out from the baffle; proud_radius : float, m; of the blend down to it
        gap_width, gap_depth : float, m; the annular gap around the source, behind the throat plane; 0: none
        source_depth : float, m; how far the source's rim lies behind the throat plane, at the end of a short cylinder
    """

    source: Source
    throat_radius: float
    entry_angle: float
    depth: float
    mouth: Outline
    rounding: float = 0.005
    profile: str = "oblate_spheroidal"
    y: float = 0.0
    z: float = 0.0
    clearance: float = 0.0
    key: str = ""
    face: Face = "front"
    stations: tuple[float, ...] = ()
    angles: tuple[float, ...] = ()
    angles_vertical: tuple[float, ...] = ()
    angles_diagonal: tuple[float, ...] = ()
    transition: tuple[float, float] = (0.0, 0.0)
    proud: float = 0.0
    proud_radius: float = 0.01
    gap_width: float = 0.0
    gap_depth: float = 0.0
    source_depth: float = 0.0

    @property
    def name(self) -> str:
        """The source's name."""
        return self.source.name


@dataclass(frozen=True)
class Coaxial:
    """A cone whose centre is another source, at the bottom of the cone.

    Parameters
        cone : Cone; gives the place; its `dust_cap_radius` is the radius of the opening, its dust cap is left out
        source : Dome, Throat, Ring, or Waveguide with a round mouth, in the plane x = -cone.depth. Smaller than the opening, it
            leaves a flat rigid ring (a gap under 5 % is closed by the cone).
    """

    cone: Cone
    source: Source | Waveguide

    @property
    def name(self) -> str:
        """The cone's name."""
        return self.cone.name

    @property
    def y(self) -> float:
        """Place along y, m."""
        return self.cone.y

    @property
    def z(self) -> float:
        """Place along z, m."""
        return self.cone.z

    @property
    def key(self) -> str:
        """Dotted path of the cone."""
        return self.cone.key

    @property
    def face(self) -> Face:
        """The cone's face."""
        return self.cone.face


Element = Cone | Dome | Throat | Ring | VentOpening | Waveguide | Coaxial


def key_of(element: Element) -> str:
    """Dotted path of an element in the design file."""
    if element.key:
        return element.key
    return "vent" if isinstance(element, VentOpening) else f"ways.{element.name}"


def paired(element: Element) -> bool:
    """True for a vent that comes with its mirror image."""
    return isinstance(element, VentOpening) and element.pair and element.y != 0.0


def moving_names(element: Element) -> tuple[str, ...]:
    """Mesh parts that an element brings, outermost first."""
    if isinstance(element, Coaxial):
        return (element.cone.name, *moving_names(element.source))
    return (element.name,)


@dataclass(frozen=True)
class Cabinet:
    """A rounded box with elements on its front and rear faces.

    Parameters
        width, height, depth : float > 0, m; outer
        edge_radius : float >= 0, m; of all edges and corners
        elements : the sources and vents
    Raises DesignError when a size is absurd or the elements do not fit, on the body, in it, or beside each other.
    """

    width: float
    height: float
    depth: float
    edge_radius: float
    elements: tuple[Element, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "elements", tuple(self.elements))
        if any(not isinstance(e, Element) for e in self.elements):
            raise DesignError(message("cabinet.elements", "elements of evenfield.shape", self.elements))
        from evenfield.shape.fit import check_cabinet

        check_cabinet(self)

    @property
    def symmetric(self) -> bool:
        """True when every element sits on the plane y = 0 or comes with its mirror image."""
        return all(e.y == 0.0 or paired(e) for e in self.elements)

    @property
    def placed(self) -> tuple[Element, ...]:
        """The elements, with both members of each pair."""
        twins = (replace(e, y=-e.y) for e in self.elements if isinstance(e, VentOpening) and paired(e))
        return (*self.elements, *twins)
