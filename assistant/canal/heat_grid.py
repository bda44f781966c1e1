"""A root as rings around the canal: which material lies where, and how it conducts.

Layers from the axis outward, row by row: carrier, gutta-percha (or the air of an emptied
canal), sealer, dentine, cementum, what lies outside (:func:`.tissue.layers`), and beyond it
a given temperature. Layer boundaries need not fall on cell faces: radial conductances
integrate ``dr / (k r)`` exactly through the layers, heat capacities, blood and axial
conductances go by volume. Blood flows in at the given temperature and leaves at that of the
tissue (Pennes 1948).
Units inside: mm, s, C, mW, mJ (1 W/(m K) = 1 mW/(mm K); 1 J/(m3 K) = 1e-6 mJ/(mm3 K)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from assistant.canal.heat_step import Array, Content, Network
from assistant.canal.model import CanalShape
from assistant.canal.tissue import (
    AIR_J_M3K,
    AIR_W_MK,
    BODY_C,
    METAL_J_M3K,
    METAL_W_MK,
    Outside,
    Properties,
    layers,
)

_MJ_MM3 = 1e-6  # J/m3 to mJ/mm3
_MW_MM2 = 1e-3  # W/m2 to mW/mm2
_EPS_MM = 1e-6

BELOW_APEX_MM = 0.5
"""Root below the end of the canal: preparations end 0.5 to 1 mm short (common practice); the
lesser is chosen here."""

ABOVE_START_MM = 3.0
"""How much of the tooth above the mass is computed; its upper end lets no heat through."""

_PINNED_W_MK = 1e3  # beyond the last layer: so conductive that it is at one temperature


@dataclass(frozen=True, slots=True)
class Root:
    """Thickness of dentine and cementum around the canal.

    Attributes:
        apical_wall_mm: at the working length.
        wall_gain: mm thicker for each mm further up.
        most_wall_mm: no thicker than this.

    The usual values (1.0 mm at the end, 2.0 mm ten above) are from memory; a wall towards
    a furcation or in a flat root can be under 1 mm.

    Raises:
        ValueError: a wall is not over 0.2 mm, or the gain is negative.
    """

    apical_wall_mm: float = 1.0
    wall_gain: float = 0.1
    most_wall_mm: float = 3.0

    def __post_init__(self) -> None:
        if not (self.apical_wall_mm >= 0.2 and self.most_wall_mm >= self.apical_wall_mm):
            raise ValueError(
                f"a root wall from {self.apical_wall_mm:g} to {self.most_wall_mm:g} mm cannot "
                "be; give at least 0.2 mm, the second no less than the first"
            )
        if not 0 <= self.wall_gain < 1:
            raise ValueError(f"the wall's gain is {self.wall_gain:g}; allowed are 0 to under 1")

    @classmethod
    def with_wall(cls, wall_mm: float, above_end_mm: float, wall_gain: float = 0.1) -> Root:
        """The root whose wall is so thick so far above the working length.

        Raises:
            ValueError: as the class.
        """
        apical = max(0.2, wall_mm - wall_gain * above_end_mm)
        gain = (wall_mm - apical) / above_end_mm if above_end_mm > 0 else wall_gain
        return cls(apical, max(0.0, gain), max(3.0, wall_mm))

    def wall_mm(self, above_end_mm: float) -> float:
        """Wall so far above the working length."""
        wall = self.apical_wall_mm + self.wall_gain * max(0.0, above_end_mm)
        return min(wall, self.most_wall_mm)


@dataclass(frozen=True, slots=True)
class Grid:
    """How finely is computed.

    Attributes:
        rings_in_canal: rings across the canal's radius at the carrier's tip.
        ring_growth: each ring further out is so many times wider.
        row_mm: height of a row near the tip.
        row_growth: each row further off is so many times higher.
        step_s: time step at the start of each phase; later ones grow.
    """

    rings_in_canal: int = 5
    ring_growth: float = 1.35
    row_mm: float = 0.12
    row_growth: float = 1.2
    step_s: float = 0.05


def _growing(from_mm: float, to_mm: float, first_mm: float, growth: float) -> list[float]:
    """Edges after ``from_mm`` up to ``to_mm``, lengths growing, fitted to end there."""
    span = to_mm - from_mm
    if growth == 1:
        count = max(1, round(span / first_mm))
    else:
        count = max(1, round(math.log1p(span * (growth - 1) / first_mm) / math.log(growth)))
    lengths = growth ** np.arange(count)
    return list(from_mm + np.cumsum(lengths) * span / lengths.sum())


@dataclass(frozen=True, slots=True)
class Carrier:
    """Where the heat carrier stands: depth of its tip, radius there, taper, contact."""

    tip_mm: float
    tip_radius_mm: float
    taper: float
    contact_w_m2k: float
    temp_c: float


class Rings:
    """Grid and materials of one root.

    Attributes:
        radius_edges_mm, depth_edges_mm: faces of the cells.
        radius_mm, depth_mm: their middles.
        start_mm: above it the canal is empty.
        mass: (nz, nr), the share of each cell that is canal below the start.
    """

    def __init__(
        self,
        shape: CanalShape,
        root: Root,
        start_mm: float,
        tip_mm: float,
        properties: Properties,
        grid: Grid,
        outside: Outside = Outside.PERFUSED,
        around_c: float = BODY_C,
    ) -> None:
        self.properties = properties
        self.around_c = around_c
        self._layers = layers(outside, properties)
        p = properties
        end = shape.wl_mm
        bottom = end + BELOW_APEX_MM
        self.depth_edges_mm = self._rows(shape, start_mm, tip_mm, grid)
        self.depth_mm = (self.depth_edges_mm[1:] + self.depth_edges_mm[:-1]) / 2
        self.row_mm = np.diff(self.depth_edges_mm)

        below = self.depth_mm > end
        canal = np.array([shape.diameter_mm(z) / 2 for z in self.depth_mm])
        wall = np.array([root.wall_mm(end - z) for z in self.depth_mm])
        outer = canal + wall
        canal = np.where(below, 0.0, canal)
        film = np.maximum(0.0, canal - p.sealer_mm)
        tissue = self.depth_mm > bottom
        hard = np.where(tissue, 0.0, outer)
        # Boundaries outward of the carrier's: film, canal, dentine, cementum, then outside.
        bounds = [film, canal, np.maximum(0.0, hard - p.cementum_mm), hard]
        thick = 0.0
        for layer in self._layers:
            thick += layer.mm
            below_it = self.depth_mm > bottom + thick
            bounds.append(np.where(below_it, 0.0, outer + thick))
        self._outward = np.stack(bounds)
        self._canal, self._film, self._outer = canal, film, outer

        at_tip = shape.diameter_mm(tip_mm) / 2
        within = np.linspace(0.0, at_tip, grid.rings_in_canal + 1)
        first = within[1] * grid.ring_growth
        rim = float(self._outward[-1].max())
        face = at_tip + root.wall_mm(end - tip_mm)  # of the root, where it is hottest
        wall_edges = _growing(at_tip, face, first, grid.ring_growth)
        last = wall_edges[-1] - ([at_tip, *wall_edges])[-2]
        around = _growing(face, rim, min(last, self._layers[0].mm), grid.ring_growth)
        self.radius_edges_mm = np.array([*within, *wall_edges, *around, rim + 0.1])
        self.radius_mm = (self.radius_edges_mm[1:] + self.radius_edges_mm[:-1]) / 2
        self._face_mm2 = math.pi * np.diff(self.radius_edges_mm**2)
        # (nz, nr): part of each cell within the canal.
        inside = np.clip(self._canal[:, None] ** 2, *self._squares())
        self._inside_mm2 = math.pi * (inside - self._squares()[0])
        self.start_mm = start_mm
        self.mass = np.where(
            self.depth_mm[:, None] >= start_mm, self._inside_mm2 / self._face_mm2, 0.0
        )
        self._surface_rows = np.flatnonzero(~tissue)
        self.contents(start_mm, None)  # the surface is read with its radial integral

    def _rows(self, shape: CanalShape, start_mm: float, tip_mm: float, grid: Grid) -> Array:
        """Faces of the rows: fine about the tip, then growing, one at each layer's end."""
        top, bottom = max(0.0, start_mm - ABOVE_START_MM), shape.wl_mm + BELOW_APEX_MM
        # Faces at the carrier's tip and where the mass begins once it is out: a row across
        # either would be half of each.
        edge_mm = min(tip_mm + self.properties.cling_mm, shape.wl_mm)
        clings = _growing(tip_mm, edge_mm, grid.row_mm, 1) if edge_mm > tip_mm else []
        fine_top = max(top, tip_mm - math.ceil(1.0 / grid.row_mm) * grid.row_mm)
        fine_bottom = min(bottom, edge_mm + math.ceil(2.0 / grid.row_mm) * grid.row_mm)
        up = _growing(-tip_mm, -fine_top, grid.row_mm, 1) if fine_top < tip_mm else []
        if up and fine_top - top > grid.row_mm / 2:
            up += _growing(-fine_top, -top, grid.row_mm * grid.row_growth, grid.row_growth)
        down = _growing(edge_mm, fine_bottom, grid.row_mm, 1)
        if bottom - fine_bottom > grid.row_mm / 2:
            first = grid.row_mm * grid.row_growth
            down += _growing(fine_bottom, bottom, first, grid.row_growth)
        for layer in self._layers:
            first = min(layer.mm, down[-1] - down[-2])
            down += _growing(down[-1], down[-1] + layer.mm, first, grid.row_growth**2)
        return np.array([-z for z in reversed(up)] + [tip_mm] + clings + down)

    def _squares(self) -> tuple[Array, Array]:
        squares = self.radius_edges_mm**2
        return squares[None, :-1], squares[None, 1:]

    def carrier_radius_mm(self, carrier: Carrier) -> Array:
        """Radius of the carrier in each row, 0 below its tip; by volume where it ends."""
        top, bottom = self.depth_edges_mm[:-1], self.depth_edges_mm[1:]
        share = np.clip((carrier.tip_mm - top) / (bottom - top), 0.0, 1.0)
        above = np.maximum(0.0, carrier.tip_mm - self.depth_mm)
        radius = carrier.tip_radius_mm + carrier.taper / 2 * above
        fitted: Array = np.minimum(radius, 0.97 * self._film) * np.sqrt(share)
        return fitted

    def contents(self, empty_to_mm: float, carrier: Carrier | None) -> tuple[Content, Network]:
        """What the cells hold and how they conduct, with the canal empty down to a depth.

        The carrier couples to what it stands in through its contact over its lateral
        surface; its metal carries that from within the cells.
        """
        p = self.properties
        nz, nr = len(self.depth_mm), len(self.radius_mm)
        metal = np.zeros(nz) if carrier is None else self.carrier_radius_mm(carrier)
        bounds = np.vstack([metal, self._outward])  # (layers, nz)
        bounds = np.maximum.accumulate(bounds, axis=0)
        emptied = self.depth_mm < empty_to_mm
        fill_k = np.where(emptied, AIR_W_MK, p.gutta_percha_w_mk)
        fill_c = np.where(emptied, AIR_J_M3K, p.gutta_percha_j_m3k)
        ones = np.ones(nz)
        conductivity = np.stack(
            [
                METAL_W_MK * ones,
                fill_k,
                p.sealer_w_mk * ones,
                p.dentine_w_mk * ones,
                p.cementum_w_mk * ones,
                *(layer.w_mk * ones for layer in self._layers),
                _PINNED_W_MK * ones,
            ]
        )
        capacity = np.stack(
            [
                METAL_J_M3K * ones,
                fill_c,
                p.sealer_j_m3k * ones,
                p.dentine_j_m3k * ones,
                p.cementum_j_m3k * ones,
                *(layer.j_m3k * ones for layer in self._layers),
                self._layers[-1].j_m3k * ones,
            ]
        )
        # Radial: F(r) = integral of dr/(k r); conductance 2 pi dz / (F(b) - F(a)).
        log_bounds = np.log(np.maximum(bounds, _EPS_MM))
        starts = np.vstack([np.full(nz, math.log(_EPS_MM)), log_bounds])[:, :, None]
        stops = np.vstack([log_bounds, np.full(nz, np.inf)])[:, :, None]
        logs = np.log(self.radius_mm)[None, None, :]
        resistance = np.sum(
            (np.clip(logs, starts, stops) - starts) / conductivity[:, :, None], axis=0
        )
        radial = 2 * math.pi * self.row_mm[:, None] / np.diff(resistance, axis=1)
        # By area: capacities, melting, axial conduction.
        low, high = self._squares()
        inner = np.vstack([np.zeros(nz), bounds**2])[:, :, None]
        outer = np.vstack([bounds**2, np.full(nz, np.inf)])[:, :, None]
        area = math.pi * (np.clip(high, inner, outer) - np.clip(low, inner, outer))
        held = np.sum(area * capacity[:, :, None], axis=0) * self.row_mm[:, None] * _MJ_MM3
        along = conductivity.copy()
        along[-1] = self._layers[-1].w_mk
        conducts = np.sum(area * along[:, :, None], axis=0)  # mW mm/K
        half = self.row_mm[:, None] / 2 / conducts
        axial = 1 / (half[1:] + half[:-1])
        melting = np.where(emptied[:, None], 0.0, area[1]) * self.row_mm[:, None]
        melting = melting * p.melting_j_m3 * _MJ_MM3

        sink = np.zeros((nz, nr))
        sink_c = np.full((nz, nr), self.around_c)
        for number, layer in enumerate(self._layers, len(area) - 1 - len(self._layers)):
            sink += area[number] * self.row_mm[:, None] * layer.blood_w_m3k * _MJ_MM3
        # Beyond the last layer the temperature is given. Cells that lie there by their
        # middle: the others are led to it by the radial integral.
        sink[self.radius_mm[None, :] >= self._outward[-1][:, None]] = 1e3
        sink[-1] += conducts[-1] / (self.row_mm[-1] / 2)  # and so is the bottom
        if carrier is not None:
            with np.errstate(divide="ignore", invalid="ignore"):
                per_volume = np.where(
                    metal > 0, 2 * carrier.contact_w_m2k * _MW_MM2 / metal, 0.0
                )
            given = area[0] * self.row_mm[:, None] * per_volume[:, None]
            total = sink + given
            sink_c = np.where(
                total > 0,
                (sink * sink_c + given * carrier.temp_c) / np.where(total > 0, total, 1.0),
                sink_c,
            )
            sink = total
        self._resistance = resistance
        return Content(held, melting), Network(radial, axial, sink, sink_c)

    def press(self, network: Network, top_mm: float) -> Network:
        """The network with a plugger's end on the mass whose upper face is at ``top_mm``."""
        p = self.properties
        row = int(np.searchsorted(self.depth_mm, top_mm))
        contact = 1 / (p.plugger_contact_w_m2k * _MW_MM2)
        inside = self.row_mm[row] / 2 / p.gutta_percha_w_mk
        given = p.plugger_share * self._inside_mm2[row] / (contact + inside)
        sink, sink_c = network.sink_mw_k.copy(), network.sink_c.copy()
        total = sink[row] + given
        mixed = sink[row] * sink_c[row] + given * p.plugger_c
        kept = np.where(total > 0, total, 1.0)
        sink_c[row] = np.where(total > 0, mixed / kept, self.around_c)
        sink[row] = total
        return network._replace(sink_mw_k=sink, sink_c=sink_c)

    def surface_c(self, temp_c: Array) -> Array:
        """Temperature of the root's surface in each row above its lower end.

        Between the ring centres on either side, as the flow through the layers divides
        the difference.
        """
        rows = self._surface_rows
        outer = self._outer[rows]
        right = np.searchsorted(self.radius_mm, outer)
        left = right - 1
        # The part of that integral from the root's surface outward to the next centre.
        beyond, inner = 0.0 * outer, outer
        for layer in self._layers:
            reach = np.clip(self.radius_mm[right], inner, inner + layer.mm)
            beyond = beyond + np.log(reach / inner) / layer.w_mk
            inner = inner + layer.mm
        whole = self._resistance[rows, right] - self._resistance[rows, left]
        part = np.clip(1 - beyond / whole, 0.0, 1.0)
        return np.asarray(
            temp_c[rows, left] + part * (temp_c[rows, right] - temp_c[rows, left])
        )

    @property
    def surface_depth_mm(self) -> Array:
        """Depth of each entry of :meth:`surface_c`."""
        rows: Array = self.depth_mm[self._surface_rows]
        return rows
