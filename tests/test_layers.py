"""Constructions: that the data are whole, and that the factors of the bridges can be made again."""

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest

from monitor.lot import ZoneKind
from monitor.physics import layers
from monitor.physics.layers import ASSEMBLIES, Assembly

# --- heat in two dimensions: finite volumes, solved column by column ------------------------------


def conduction(x_edges, y_edges, conductivity, films, air, ends=None):
    """Temperatures of cells; x runs from the air outside to the air inside, y along the wall.

    Without `ends` no heat passes the first and the last y; else they have those temperatures.
    """
    x, y = np.diff(x_edges), np.diff(y_edges)
    half_x, half_y = x[:, None] / (2 * conductivity), y / (2 * conductivity)
    across = y / (half_x[:-1] + half_x[1:])
    along = x[:, None] / (half_y[:, :-1] + half_y[:, 1:])
    outer, inner = y / (films[0] + half_x[0]), y / (films[1] + half_x[-1])
    diagonal, source = np.zeros_like(conductivity), np.zeros_like(conductivity)
    diagonal[:-1] += across
    diagonal[1:] += across
    diagonal[:, :-1] += along
    diagonal[:, 1:] += along
    diagonal[0] += outer
    diagonal[-1] += inner
    source[0] += outer * air[0]
    source[-1] += inner * air[1]
    if ends is not None:
        for at, celsius in zip((0, -1), ends, strict=True):
            through = x / half_y[:, at]
            diagonal[:, at] += through
            source[:, at] += through * celsius
    factors, rests = [], []
    for j in range(len(y)):
        matrix = np.diag(diagonal[:, j]) - np.diag(across[:, j], 1) - np.diag(across[:, j], -1)
        right = source[:, j].copy()
        if j:
            matrix -= along[:, j - 1, None] * factors[-1]
            right += along[:, j - 1] * rests[-1]
        coupling = along[:, j] if j < len(y) - 1 else np.zeros(len(x))
        factors.append(np.linalg.solve(matrix, np.diag(coupling)))
        rests.append(np.linalg.solve(matrix, right))
    celsius = np.empty_like(conductivity)
    celsius[:, -1] = rests[-1]
    for j in range(len(y) - 2, -1, -1):
        celsius[:, j] = factors[j] @ celsius[:, j + 1] + rests[j]
    return celsius


def edges(parts):
    cut = [np.full(max(1, round(length / step)), step) for length, step in parts]
    whole = [length / len(one) for (length, _), one in zip(parts, cut, strict=True)]
    return np.cumsum([0.0, *np.repeat(whole, [len(one) for one in cut])])


def surface_factors(assembly, film, stud, *, core="foam", width=0.025, spacing=0.406):
    """Temperature factor of the inner surface at the middle of a stud, and of the field."""
    wall_m = 0.0016  # of a tube
    parts, field, rim, middle = [], [], [], []
    for layer in assembly.layers:
        plain = layer.conductivity_w_m_k
        if core not in layer.name:
            rows = [(layer.thickness_m, 0.0005, plain, plain)]
        elif stud == "wood":
            rows = [(layer.thickness_m, 0.001, 0.13, 0.13)]
        else:  # the air in the tube: 0.18 m² K/W, ISO 6946, from memory; it hardly matters
            deep = layer.thickness_m - 2 * wall_m
            flange = (wall_m, 0.0008, 160.0, 160.0)
            rows = [flange, (deep, 0.002, 160.0, deep / 0.18), flange]
        for thickness, step, at_rim, at_middle in rows:
            parts.append((thickness, step))
            field.append(plain)
            rim.append(at_rim)
            middle.append(at_middle)
    counts = [len(edges([part])) - 1 for part in parts]
    x = edges(parts)
    half = width / 2
    y = edges(
        [
            (half - wall_m, 0.001),
            (wall_m, 0.0003),
            (0.02, 0.0005),
            (spacing / 2 - half - 0.02, 0.004),
        ]
    )
    along = (y[1:] + y[:-1]) / 2
    conductivity = np.where(
        along < half - wall_m,
        np.repeat(middle, counts)[:, None],
        np.where(along < half, np.repeat(rim, counts)[:, None], np.repeat(field, counts)[:, None]),
    )
    films = (assembly.outside_film_m2_k_w, film)
    celsius = conduction(x, y, conductivity, films, (0.0, 1.0))
    to_air = film + np.diff(x)[-1] / (2 * conductivity[-1])
    surface = 1.0 - film * (1.0 - celsius[-1]) / to_air
    return surface[0], surface[-1]


def test_the_solver_meets_the_first_case_of_the_standard():
    # ISO 10211:2017, annex C, case 1: half of a square column, 20 °C on top, 0 °C on the side and
    # below; 28 temperatures, to be met within 0.1 K. The figures from memory.
    n = 40
    celsius = conduction(
        np.linspace(0.0, 1.0, n + 1),
        np.linspace(0.0, 2.0, 2 * n + 1),
        np.ones((n, 2 * n)),
        films=(1e-12, 1e12),
        air=(0.0, 0.0),
        ends=(0.0, 20.0),
    )
    corners = (celsius[:-1, :-1] + celsius[1:, :-1] + celsius[:-1, 1:] + celsius[1:, 1:]) / 4
    middle = (celsius[-1, :-1] + celsius[-1, 1:]) / 2
    rows = range(2 * n - n // 4 - 1, 0, -n // 4)
    ours = [[*corners[n // 4 - 1 : 3 * n // 4 : n // 4, row], middle[row]] for row in rows]
    published = [
        [9.7, 13.4, 14.7, 15.1],
        [5.3, 8.6, 10.3, 10.8],
        [3.2, 5.6, 7.0, 7.5],
        [2.0, 3.6, 4.7, 5.0],
        [1.3, 2.3, 3.0, 3.2],
        [0.7, 1.4, 1.8, 1.9],
        [0.3, 0.6, 0.8, 0.9],
    ]
    np.testing.assert_allclose(ours, published, atol=0.07)


LAMINATED = ASSEMBLIES["laminated-wall"]


def thinner(assembly: Assembly, **thickness_m: float) -> Assembly:
    new = (
        replace(layer, thickness_m=thickness_m.get(layer.name.split()[-1], layer.thickness_m))
        for layer in assembly.layers
    )
    return replace(assembly, layers=tuple(new))


def stated(assembly):
    return assembly.bridge.factor, assembly.bridge.mould_check_factor


@pytest.mark.parametrize(
    ("assembly", "factors"),
    [
        (thinner(LAMINATED, backer=0.003), stated(LAMINATED)),
        (LAMINATED, (0.48, 0.35)),  # as the source of the bridge says
        (thinner(LAMINATED, panel=0.005), (0.52, 0.38)),
        *((ASSEMBLIES[code], stated(ASSEMBLIES[code])) for code in ("roof", "slide-roof")),
        (ASSEMBLIES["bonded-floor"], stated(ASSEMBLIES["bonded-floor"])),
    ],
)
def test_an_aluminium_tube_makes_the_surface_as_cold_as_stated(assembly, factors):
    # Tolerance: the rounding of the stated figures, and of the grid (0.001 between halves of it).
    ours = [surface_factors(assembly, film, "aluminium")[0] for film in (0.13, 0.25)]
    assert ours == pytest.approx(factors, abs=0.0065)


def test_a_wood_stud_makes_the_surface_of_a_hung_wall_as_cold_as_stated():
    hung = ASSEMBLIES["hung-wall"]
    touching = replace(hung, layers=tuple(one for one in hung.layers if one.name != "air gap"))
    ours = [
        surface_factors(touching, film, "wood", core="batt", width=0.038)[0]
        for film in (0.13, 0.25)
    ]
    assert ours == pytest.approx(stated(hung), abs=0.0065)


def test_far_from_a_stud_the_factor_is_that_of_the_layers():
    for film in (0.13, 0.25):
        resistance = film + 0.04 + sum(one.resistance_m2_k_w for one in LAMINATED.layers)
        field = surface_factors(LAMINATED, film, "aluminium")[1]
        assert field == pytest.approx(1.0 - film / resistance, abs=0.001)


def test_a_pane_and_a_bare_board_have_the_factor_of_their_resistance():
    floor = ASSEMBLIES["slide-floor"]
    board = sum(one.resistance_m2_k_w for one in floor.layers)
    for bridge, resistance in (
        (layers.SINGLE_PANE, 0.004),
        (layers.DOUBLE_ACRYLIC, 0.17),
        (floor.bridge, board),
    ):
        for factor, film in ((bridge.factor, 0.13), (bridge.mould_check_factor, 0.25)):
            assert factor == pytest.approx(1.0 - film / (film + 0.04 + resistance), abs=0.006)


# --- the data -------------------------------------------------------------------------------------


@pytest.mark.parametrize("assembly", ASSEMBLIES.values(), ids=ASSEMBLIES)
def test_an_assembly_is_whole(assembly):
    assert ASSEMBLIES[assembly.code] is assembly
    assert any(layer.wood for layer in assembly.layers)
    assert len({layer.name for layer in assembly.layers}) == len(assembly.layers)
    for layer in assembly.layers:
        assert 0.0001 <= layer.thickness_m <= 0.1
        assert 0.02 <= layer.conductivity_w_m_k <= 200.0
        assert 1.0 <= layer.density_kg_m3 <= 3000.0
        assert 800.0 <= layer.heat_capacity_j_kg_k <= 2500.0
        assert layer.vapour_factor >= 1.0
        assert "from memory" in layer.source or "assumed" in layer.source
    assert assembly.layers[assembly.probe_layer].wood  # where rot would begin
    assert 0.0 < assembly.bridge.mould_check_factor < assembly.bridge.factor < 1.0


def test_thin_sheets_resist_vapour_as_their_tables_say():
    # ISO 10456:2007 table 5, from memory: vinyl wall covering 2 m, polyethylene of 0.15 mm 50 m.
    vapour = {one.name: one.sd_m for each in ASSEMBLIES.values() for one in each.layers}
    assert vapour["vinyl wall covering"] == pytest.approx(2.0)
    assert vapour["bottom film"] == pytest.approx(50.0)
    assert vapour["glass-fibre skin"] == pytest.approx(16.0)


def test_a_bonded_floor_dries_downward_only():
    bonded = ASSEMBLIES["bonded-floor"].layers
    assert bonded[-1].sd_m > bonded[0].sd_m


def test_every_zone_that_something_bounds_has_an_assembly():
    for kind in get_args(ZoneKind):
        if kind != "outside":
            assert layers.assembly_for(kind) in ASSEMBLIES.values()
    with pytest.raises(ValueError, match="no construction bounds a zone of kind 'outside'"):
        layers.assembly_for("outside")
