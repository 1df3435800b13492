"""Walls, roofs and floors of a unit as data: layers from outside to inside, and the worst bridge.

**They are usual constructions, not a unit's own.** Makers differ, seldom publish and change within
a model; a result for an assembly is an estimate of what such a wall does. Layers describe the
field between studs. What gets coldest is not the field but a bridge, so each assembly names its
worst, most often an aluminium tube.

References
----------
.. [1] ISO 10456:2007, tables 3 (densities, conductivities, vapour resistance factors), 4 (foams)
   and 5 (thin layers): all its values here are **from memory**.
.. [2] ISO 6946:2017: resistances of surfaces (table 7) and of unventilated air layers (table 8),
   from memory; the tests hold those of surfaces to a worked example.
.. [3] ISO 13788:2012: 0.25 m² K/W inside for the mould check of opaque parts, 0.13 for glazing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

from monitor.lot import ZoneKind

WALL_FILM_M2_K_W, UPWARD_FILM_M2_K_W, DOWNWARD_FILM_M2_K_W = 0.13, 0.10, 0.17  # inside, [2]
OUTSIDE_FILM_M2_K_W = 0.04  # [2]
MOULD_CHECK_FILM_M2_K_W = 0.25  # [3]


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer of a wall.

    Attributes
    ----------
    name : str
    thickness_m, conductivity_w_m_k, density_kg_m3, heat_capacity_j_kg_k : float
        Dry values.
    vapour_factor : float
        How many times more than still air of its thickness it resists vapour; of a thin sheet
        chosen so that `sd_m` is right.
    wood : bool
        True where it takes up water as wood does (`monitor.physics.wood`); else next to none.
    source : str
        Where each value comes from, and how far it scatters.
    """

    name: str
    thickness_m: float
    conductivity_w_m_k: float
    density_kg_m3: float
    heat_capacity_j_kg_k: float
    vapour_factor: float
    wood: bool
    source: str

    @property
    def resistance_m2_k_w(self) -> float:
        """Thermal resistance."""
        return self.thickness_m / self.conductivity_w_m_k

    @property
    def sd_m(self) -> float:
        """Thickness of still air that resists vapour as much."""
        return self.vapour_factor * self.thickness_m


@dataclass(frozen=True, slots=True)
class Bridge:
    """The coldest place of an inner surface.

    Attributes
    ----------
    name : str
    factor, mould_check_factor : float
        Temperature factor at an inside resistance of 0.13 and of 0.25 m² K/W.
    source : str
    """

    name: str
    factor: float
    mould_check_factor: float
    source: str


@dataclass(frozen=True, slots=True)
class Assembly:
    """A construction.

    Attributes
    ----------
    code, name : str
    layers : tuple of Layer
        Outside to inside.
    inside_film_m2_k_w, outside_film_m2_k_w : float
        Resistance of the surfaces to heat.
    probe_layer : int
        Index of the layer that a probe behind the panel touches.
    probe_face : {"outer", "inner"}
        At which of its faces.
    bridge : Bridge
        The coldest place of its inner surface.
    """

    code: str
    name: str
    layers: tuple[Layer, ...]
    inside_film_m2_k_w: float
    outside_film_m2_k_w: float
    probe_layer: int
    probe_face: Literal["outer", "inner"]
    bridge: Bridge


# fmt: off
# name, thickness, conductivity, density, heat capacity, vapour factor
_SKIN = Layer(
    "glass-fibre skin", 0.0016, 0.30, 1500.0, 1200.0, 10_000.0, wood=False,
    source="thickness about 0.06 in: a trade source; conductivity (0.19 for the resin alone) and "
    "vapour factor: ISO 10456 table 3, from memory; density and heat capacity from memory",
)
_METAL = Layer(
    "metal skin", 0.0006, 160.0, 2700.0, 880.0, 5.0 / 0.0006, wood=False,
    source="aluminium: ISO 10456 table 3, from memory; the sheet is tight, its laps are not: "
    "sd 5 m is assumed and truly variable (5 to 10 m, far less where the laps are open)",
)
_GAP = Layer(
    "air gap", 0.010, 0.010 / 0.15, 1.2, 1006.0, 1.0, wood=False,
    source="0.15 m² K/W: ISO 6946, unventilated, from memory; thickness assumed: corrugated skins "
    "have from none to 15 mm",
)
_PLY = Layer(
    "plywood", 0.003, 0.13, 500.0, 1600.0, 200.0, wood=True,
    source="ISO 10456 table 3, 500 kg/m³, dry, from memory (wet 70; other tables 30 to 400); "
    "luan has no entry of its own",
)
_BACKER = replace(_PLY, name="plywood backer", thickness_m=0.005)
_PANEL = replace(_PLY, name="plywood panel")
_FOAM = Layer(
    "polystyrene foam", 0.025, 0.038, 15.0, 1450.0, 60.0, wood=False,
    source="ISO 10456 tables 3 and 4, from memory; conductivity 0.036 to 0.040, vapour factor 20 "
    "to 150 in other tables; about 25 mm in a wall: a trade source",
)
_BATT = Layer(
    "glass-fibre batt", 0.038, 0.040, 15.0, 1000.0, 1.2, wood=False,
    source="conductivity and vapour factor: public design tables (1.0 to 1.4); density and heat "
    "capacity from memory; thickness assumed, 38 to 50 mm",
)
_VINYL = Layer(
    "vinyl wall covering", 0.0003, 0.17, 1390.0, 900.0, 2.0 / 0.0003, wood=False,
    source="sd 2 m: ISO 10456 table 5, from memory; paper-faced panels have next to none; "
    "thickness assumed",
)
_MEMBRANE = Layer(
    "roof membrane", 0.0011, 0.2, 1100.0, 1400.0, 6000.0, wood=False,
    source="thickness 0.045 in: a trade source; the rest as rubber (EPDM) in ISO 10456 table 3, "
    "from memory; other membranes 9000 and more",
)
_FLOORING = Layer(
    "vinyl floor", 0.0015, 0.25, 1700.0, 1400.0, 10_000.0, wood=False,
    source="plastic floor covering: ISO 10456 table 3, from memory (solid PVC 50 000); "
    "thickness assumed",
)
_BELOW = replace(
    _METAL, name="bottom sheet", vapour_factor=10.0 / 0.0006,
    source="aluminium: ISO 10456 table 3, from memory; sd 10 m over its joints assumed; some units "
    "have glass fibre or a film instead",
)
_FILM = Layer(
    "bottom film", 0.00015, 0.33, 920.0, 2200.0, 50.0 / 0.00015, wood=False,
    source="polyethylene 0.15 mm, sd 50 m: ISO 10456 tables 3 and 5, from memory; assumed whole, "
    "and that a slide has one",
)
_SLIDE_BOARD = Layer(
    "floor board", 0.016, 0.13, 650.0, 1700.0, 50.0, wood=True,
    source="oriented strand board: ISO 10456 table 3, 650 kg/m³, dry, from memory (wet 30); "
    "16 to 19 mm, board or plywood: trade sources; edges are often bare, which no layer shows",
)
# fmt: on

# Aluminium tubes of 25 mm with walls of 1.6 mm, as deep as the core, 0.41 m apart: taken for usual.
# tests/test_layers.py makes these figures again.
_COMPUTED = (
    "our own figure, computed with a two-dimensional solver that meets ISO 10211 case 1 to 0.05 K; "
    "not measured on a unit"
)
ALUMINIUM_STUD = Bridge(
    "aluminium tube stud",
    0.45,
    0.32,
    f"{_COMPUTED}; plywood of 3 mm both sides, which is the worst; 0.48 and 0.35 with a "
    "backer of 5 mm, 0.52 and 0.38 with 5 mm on both",
)
WOOD_STUD = Bridge(
    "wood stud", 0.75, 0.63, f"{_COMPUTED}; 38 mm square, the metal skin touching it"
)
ALUMINIUM_RAFTER = Bridge("aluminium tube rafter", 0.54, 0.41, f"{_COMPUTED}; deck of 9.5 mm")
ALUMINIUM_RAFTER_OF_A_SLIDE = replace(
    ALUMINIUM_RAFTER, factor=0.48, mould_check_factor=0.35, source=f"{_COMPUTED}; deck of 5 mm"
)
ALUMINIUM_JOIST = Bridge("aluminium tube joist", 0.60, 0.46, f"{_COMPUTED}; plywood 12 mm above")
BARE_BOARD = Bridge("floor board", 0.57, 0.40, "its own resistance; its edges are colder")
SINGLE_PANE = Bridge("single pane", 0.25, 0.15, "4 mm of glass, 1.0 W/(m K): its resistance")
DOUBLE_ACRYLIC = Bridge(
    "double acrylic pane", 0.62, 0.46, "0.17 m² K/W, of which the air space 0.15, from memory"
)

_ASSEMBLIES = (
    Assembly(
        code="laminated-wall",
        name="laminated wall",
        layers=(_SKIN, _BACKER, _FOAM, _PANEL, _VINYL),
        inside_film_m2_k_w=WALL_FILM_M2_K_W,
        outside_film_m2_k_w=OUTSIDE_FILM_M2_K_W,
        probe_layer=3,
        probe_face="outer",
        bridge=ALUMINIUM_STUD,
    ),
    Assembly(
        code="hung-wall",
        name="hung wall",
        layers=(_METAL, _GAP, _BATT, _PANEL, _VINYL),
        inside_film_m2_k_w=WALL_FILM_M2_K_W,
        outside_film_m2_k_w=OUTSIDE_FILM_M2_K_W,
        probe_layer=3,
        probe_face="outer",
        bridge=WOOD_STUD,
    ),
    Assembly(
        code="roof",
        name="roof",
        layers=(
            _MEMBRANE,
            replace(_PLY, name="roof deck", thickness_m=0.0095),
            replace(_FOAM, thickness_m=0.050),
            _PANEL,
            _VINYL,
        ),
        inside_film_m2_k_w=UPWARD_FILM_M2_K_W,
        outside_film_m2_k_w=OUTSIDE_FILM_M2_K_W,
        probe_layer=3,
        probe_face="outer",
        bridge=ALUMINIUM_RAFTER,
    ),
    Assembly(
        code="bonded-floor",
        name="bonded floor",
        layers=(
            _BELOW,
            replace(_PLY, name="plywood, lower"),
            replace(_FOAM, thickness_m=0.038),
            replace(_PLY, name="plywood, upper", thickness_m=0.012),
            _FLOORING,
        ),
        inside_film_m2_k_w=DOWNWARD_FILM_M2_K_W,
        outside_film_m2_k_w=OUTSIDE_FILM_M2_K_W,
        probe_layer=3,
        probe_face="outer",
        bridge=ALUMINIUM_JOIST,
    ),
    Assembly(
        code="slide-floor",
        name="slide-out floor",
        layers=(_FILM, _SLIDE_BOARD, _FLOORING),
        inside_film_m2_k_w=DOWNWARD_FILM_M2_K_W,
        outside_film_m2_k_w=OUTSIDE_FILM_M2_K_W,
        probe_layer=1,
        probe_face="outer",
        bridge=BARE_BOARD,
    ),
    Assembly(
        code="slide-roof",
        name="slide-out roof",
        layers=(
            _MEMBRANE,
            replace(_PLY, name="roof deck", thickness_m=0.005),
            replace(_FOAM, thickness_m=0.030),
            _PANEL,
            _VINYL,
        ),
        inside_film_m2_k_w=UPWARD_FILM_M2_K_W,
        outside_film_m2_k_w=OUTSIDE_FILM_M2_K_W,
        probe_layer=3,
        probe_face="outer",
        bridge=ALUMINIUM_RAFTER_OF_A_SLIDE,
    ),
)

ASSEMBLIES: Mapping[str, Assembly] = MappingProxyType({one.code: one for one in _ASSEMBLIES})

_USUAL: Mapping[ZoneKind, str] = {
    "wall": "laminated-wall",
    "roof": "roof",
    "floor": "bonded-floor",
    "slide-floor": "slide-floor",
    "slide-roof": "slide-roof",
    "bay": "laminated-wall",
    "underbelly": "bonded-floor",
    "cabin": "laminated-wall",
    "bed": "laminated-wall",
}


def assembly_for(kind: ZoneKind) -> Assembly:
    """Construction assumed where a zone's own is not known.

    Parameters
    ----------
    kind : ZoneKind
        Of a cabin or bed: what stands behind its coldest surface.

    Returns
    -------
    Assembly
        An assumption: say so beside whatever follows from it.

    Raises
    ------
    ValueError
        For "outside", which no construction bounds.
    """
    if kind not in _USUAL:
        raise ValueError(f"no construction bounds a zone of kind {kind!r}")
    return ASSEMBLIES[_USUAL[kind]]
