"""The light every facet sends back, pixel by pixel: its tilt, what its neighbours do to it, and its surface."""

from __future__ import annotations

import numpy as np

from foldtrue.frames import Array
from foldtrue.handover import BoolArray, Nominal
from foldtrue.simulate.camera import Pinhole
from foldtrue.simulate.checked import Rgb
from foldtrue.simulate.paper import FIBRE_MM, clouds, drawn_strokes, fibre_strokes
from foldtrue.simulate.patchwork import Block, Figures, polygons_of
from foldtrue.simulate.raster import Image, Window
from foldtrue.simulate.scene import Scene
from foldtrue.simulate.shading import Bands, Edges, direct_light, joined, step_bands, towards_lamp
from foldtrue.simulate.surface import (
    SheetPlaces,
    crease_bands,
    facet_tilts,
    grid_patches,
    highlight,
    mapped,
    patch_light,
    printed,
)
from foldtrue.simulate.tops import TABLE

_SHIFT_PX = 96  # facets take their mottle from places of one field that lie up to this far apart
_DARKEST = 0.02


class FacetLight:
    """Light on the facets of a piece in one window. Blocks are in pixels; facet number `table` stands for the table.

    colours: those that light comes in: the paper's front, its back if it differs, its ink if there is any.
    """

    def __init__(
        self, piece: tuple[Nominal, Array, BoolArray], edges: Edges, pinhole: Pinhole, window: Window, scene: Scene
    ) -> None:
        """piece: the plan, its vertices (V, 2) mm as drawn, and the facets (F,) of which anything is seen."""
        nominal, vertices_mm, seen = piece
        self._nominal, self._scene, self._window = nominal, scene, window
        self._px_mm = pinhole.scale_px_mm
        self.table = len(nominal.facets)
        to_lamp = towards_lamp(scene)
        axes = np.array([to_lamp, [-to_lamp[1], to_lamp[0]]])
        self._tilt = facet_tilts(nominal, scene.relief, np.random.default_rng([scene.piece_seed, 9])) @ axes.T
        self._direct = direct_light(scene.lamp, self._tilt)
        self._patches = grid_patches(nominal, scene.relief, np.random.default_rng([scene.piece_seed, 10]))
        self._shows_back = np.array([facet.turned == (scene.side == "front") for facet in nominal.facets])
        bands = [step_bands(edges, scene, self._direct, self._px_mm)]
        if scene.relief.crease_deg > 0 or scene.relief.crease_wear != 0:
            creases = crease_bands(nominal, vertices_mm, scene, self._shows_back)
            bands.append(creases.chosen(seen[creases.facet]))
        self._figures = self._drawn(joined(bands), pinhole)
        self._places = SheetPlaces(nominal, vertices_mm, pinhole)
        self._mottle = self._drawn_mottle(pinhole)
        self._shift = np.random.default_rng([scene.seed, 11]).integers(0, _SHIFT_PX, (self.table, 3, 2))
        self.colours, self._back, self._ink = _colours(scene)

    def on_table(self, block: Block) -> Image | None:
        """(rows, columns) light on the table, 1 = undisturbed; None where nothing changes it."""
        if not self._figures.has(self.table, block):
            return None
        return np.maximum(1 + self._figures.drawn(self.table, block), np.float32(_DARKEST))

    def on_facet(self, facet: int, block: Block) -> list[tuple[int, Image]]:
        """Light (rows, columns) that a facet sends, with the number of its colour."""
        scene, tilt = self._scene, self._tilt[facet]
        flat = scene.lamp.ambient + float(self._direct[facet])
        light = np.full((block.row1 - block.row0, block.column1 - block.column0), flat, np.float32)
        if self._figures.has(facet, block):
            light += self._figures.drawn(facet, block)
            np.maximum(light, np.float32(_DARKEST), out=light)
        places = self._sheet_places(facet, block)
        if scene.relief.patch_tilt_deg > 0:
            patch = self._patches.at(*places)
            light *= patch_light(scene.lamp, tilt, patch).astype(np.float32)
            tilt = tilt + patch
        if scene.surface.gloss > 0:
            light *= 1 + highlight(scene.surface, scene.lamp, tilt + self._crumple(facet, block)) / np.float32(flat)
        if scene.surface.texture > 0:
            light *= np.maximum(1 + scene.surface.texture * self._mottle_at(facet, block, 0), np.float32(0.1))
        if self._shows_back[facet]:
            return [(self._back, light)]
        if scene.surface.pattern == "plain":
            return [(0, light)]
        ink = printed(scene.surface, *places, self._px_mm)
        return [(0, light * (1 - ink)), (self._ink, light * ink)]

    def _drawn(self, bands: Bands, pinhole: Pinhole) -> Figures:
        corners = pinhole.project(bands.corners_mm.reshape(-1, 2))
        corners = self._window.corner_coordinates(corners).reshape(-1, 4, 2)
        facet = np.where(bands.facet == TABLE, self.table, bands.facet)
        size = (self._window.height, self._window.width)
        return polygons_of(corners, bands.change, facet, self.table + 1, size)

    def _sheet_places(self, facet: int, block: Block) -> tuple[Image, Image]:
        """(rows, columns) x and y in the sheet, mm; empty where nothing asks for them."""
        if self._scene.surface.pattern == "plain" and self._scene.relief.patch_tilt_deg == 0:
            return np.zeros((0, 0), np.float32), np.zeros((0, 0), np.float32)
        x = np.arange(block.column0, block.column1, dtype=np.float32) + np.float32(self._window.x)
        y = np.arange(block.row0, block.row1, dtype=np.float32) + np.float32(self._window.y)
        flat = self._places.undistorted(*np.meshgrid(x, y))
        return mapped(self._places.inverse(self._nominal.facets[facet]), *flat)

    def _drawn_mottle(self, pinhole: Pinhole) -> Image:
        """Clouds of standard deviation 1 and fibres, over the window and as much beyond it as facets are shifted."""
        scene, window = self._scene, self._window
        surface, paper = scene.surface, scene.paper
        wide = Window(window.x, window.y, window.width + _SHIFT_PX, window.height + _SHIFT_PX)
        if surface.texture == 0 and (surface.gloss == 0 or surface.crumple_deg == 0):
            return np.zeros((1, 1), np.float32)
        rng = np.random.default_rng([scene.seed, 3])
        mottle = clouds((wide.height, wide.width), surface.texture_mm * self._px_mm, 0.1 * self._px_mm, rng)
        if paper.fibres_per_cm2 > 0 and surface.texture > 0:
            strokes, strength = fibre_strokes(self._nominal, paper, np.random.default_rng([scene.seed, 5]))
            drawn = drawn_strokes(strokes, strength, FIBRE_MM * self._px_mm, scene, pinhole, wide)
            mottle += drawn / np.float32(surface.texture)
        return mottle

    def _mottle_at(self, facet: int, block: Block, use: int) -> Image:
        down, right = self._shift[facet, use]
        rows = slice(block.row0 + down, block.row1 + down)
        return self._mottle[rows, block.column0 + right : block.column1 + right]

    def _crumple(self, facet: int, block: Block) -> Array:
        """(rows, columns, 2) or (2,) tilt of crumpled foil."""
        if self._scene.surface.crumple_deg == 0:
            return np.zeros(2, np.float32)
        lean = np.float32(np.tan(np.radians(self._scene.surface.crumple_deg)))
        return lean * np.stack([self._mottle_at(facet, block, use) for use in (1, 2)], axis=-1)


def _colours(scene: Scene) -> tuple[list[Rgb], int, int]:
    """The colours, and the numbers of back and ink among them."""
    surface = scene.surface
    colours = [surface.front]
    if surface.back != surface.front:
        colours.append(surface.back)
    back = len(colours) - 1
    if surface.pattern != "plain":
        colours.append(surface.ink)
    return colours, back, len(colours) - 1
