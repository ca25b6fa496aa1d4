"""The picture's scene for the path tracer: paper, support, lamps, camera; gives linear light per pixel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import mitsuba as mi
import numpy as np
from camera import Camera
from sheet import Skin
from skin import register_surface
from surfaces import SHEET_MM
from walk import register_tracer

mi.set_variant("llvm_ad_rgb")
register_surface()
register_tracer()


@dataclass(frozen=True)
class PaperLook:
    """One skin of the paper (a sheet has two): share of light scattered back and through, red green blue."""

    back: tuple[float, float, float]
    through: tuple[float, float, float]


@dataclass(frozen=True)
class Lamp:
    """A glowing rectangle: size (mm), distance from the piece (mm), where from (azimuth, height above the table, deg),
    light (its own radiance, red green blue)."""

    size_mm: tuple[float, float]
    distance_mm: float
    azimuth_deg: float
    height_deg: float
    light: tuple[float, float, float]


@dataclass(frozen=True)
class Setting:
    """support: 'table' (texture (n, n, 3) over table_mm square) or 'glow' (the same as light); support_mm: how far
    below the piece's lowest point; room: even light from everywhere; lamps."""

    support: str
    texture: np.ndarray
    table_mm: float
    table_turn_deg: float
    support_mm: float
    room: tuple[float, float, float]
    lamps: tuple[Lamp, ...] = ()


def bitmap(values: np.ndarray, smooth: bool = True) -> dict[str, Any]:
    values = np.ascontiguousarray(values if values.ndim == 3 else values[..., None], np.float32)
    return {
        "type": "bitmap", "bitmap": mi.Bitmap(values), "raw": True, "wrap_mode": "clamp" if smooth else "repeat",
        "filter_type": "bilinear",
    }  # fmt: skip


def paper_bsdf(look: PaperLook, textures: dict[str, np.ndarray], halves: bool) -> dict[str, Any]:
    """A thin diffuse scatterer with relief. Colour and density carry the paper's own unevenness."""
    through = np.array(look.through) * (textures["tone"] * textures["density"])[..., None]
    back = (np.array(look.back) + look.through) * textures["tone"][..., None] - through
    thin = {"type": "paperskin", "back": bitmap(back), "through": bitmap(through), "halves": halves}
    return {"type": "bumpmap", "relief": bitmap(textures["relief"]), "scale": 1.0, "bsdf": thin}


def mesh(name: str, skin: Skin, bsdf: dict[str, Any]) -> Any:
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict(bsdf)
    shape = mi.Mesh(
        name,
        len(skin.points),
        len(skin.triangles),
        props=properties,
        has_vertex_normals=True,
        has_vertex_texcoords=True,
    )
    values = mi.traverse(shape)
    uv = np.column_stack([skin.sheet_mm[:, 0], skin.sheet_mm[:, 1]]) / SHEET_MM + 0.5
    values["vertex_positions"] = skin.points.astype(np.float32).ravel()
    values["vertex_normals"] = skin.normals.astype(np.float32).ravel()
    values["vertex_texcoords"] = uv.astype(np.float32).ravel()
    values["faces"] = skin.triangles.astype(np.uint32).ravel()
    values.update()
    return shape


def lamp_shape(lamp: Lamp) -> dict[str, Any]:
    a, h = np.radians([lamp.azimuth_deg, lamp.height_deg])
    at = lamp.distance_mm * np.array([np.cos(h) * np.cos(a), np.cos(h) * np.sin(a), np.sin(h)])
    to_world = mi.ScalarTransform4f().look_at(origin=at.tolist(), target=[0, 0, 0], up=[0, 0, 1])
    to_world = to_world @ mi.ScalarTransform4f().scale([lamp.size_mm[0] / 2, lamp.size_mm[1] / 2, 1])
    glow = {"type": "area", "radiance": {"type": "rgb", "value": list(lamp.light)}}
    return {"type": "rectangle", "to_world": to_world, "emitter": glow}


def support_shape(setting: Setting, level_mm: float) -> dict[str, Any]:
    to_world = mi.ScalarTransform4f().translate([0, 0, level_mm - setting.support_mm])
    to_world = to_world @ mi.ScalarTransform4f().rotate([0, 0, 1], setting.table_turn_deg)
    to_world = to_world @ mi.ScalarTransform4f().scale([setting.table_mm / 2, setting.table_mm / 2, 1])
    shape: dict[str, Any] = {"type": "rectangle", "to_world": to_world}
    if setting.support == "glow":
        shape["emitter"] = {"type": "area", "radiance": bitmap(setting.texture)}
        shape["bsdf"] = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.5}}
    else:
        shape["bsdf"] = {"type": "roughplastic", "diffuse_reflectance": bitmap(setting.texture), "alpha": 0.3}
    return shape


def sensor(camera: Camera) -> dict[str, Any]:
    """The renderer's camera looks along its own z with x to the left and y up."""
    right, down, view = camera.axes()
    matrix = np.eye(4)
    matrix[:3] = np.column_stack([-right, -down, view, camera.place()])
    return {
        "type": "perspective", "to_world": mi.ScalarTransform4f(matrix), "fov_axis": "x",
        "far_clip": 1e5,
        "fov": float(2 * np.degrees(np.arctan(camera.width_px / 2 / camera.focal_px))), "near_clip": 10.0,
        "film": {
            "type": "hdrfilm", "width": camera.width_px, "height": camera.height_px, "rfilter": {"type": "box"},
            "pixel_format": "rgb",
        },
        "sampler": {"type": "independent"},
    }  # fmt: skip


def assemble(
    skin: Skin, look: PaperLook, textures: dict[str, np.ndarray], setting: Setting, camera: Camera, depth: int
) -> Any:
    """skin in world coordinates, the support below it."""
    backlit = setting.support == "glow"
    tracer: dict[str, Any] = {"type": "path", "max_depth": depth}
    if backlit:
        tracer |= {"type": "walk", "swallowed": 1 - float(np.mean(look.back) + np.mean(look.through))}
    world: dict[str, Any] = {
        "type": "scene", "integrator": tracer, "sensor": sensor(camera),
        "room": {"type": "constant", "radiance": {"type": "rgb", "value": list(setting.room)}},
        "support": support_shape(setting, float(skin.points[:, 2].min())),
    }  # fmt: skip
    world["paper"] = mesh("paper", skin, paper_bsdf(look, textures, backlit))
    for i, lamp in enumerate(setting.lamps):
        world[f"lamp{i}"] = lamp_shape(lamp)
    return mi.load_dict(world)


def render(scene: Any, samples: int, seed: int, batch: int = 8) -> np.ndarray:
    """(h, w, 3) linear light, mean of batches; a batch's brightest single paths are capped at 20 times its median."""
    total, count = 0.0, 0
    while count < samples:
        part = np.array(mi.render(scene, spp=min(batch, samples - count), seed=seed * 1000 + count))
        total = total + min(batch, samples - count) * np.minimum(part, 20 * max(float(np.median(part)), 1e-6))
        count += batch
    return np.asarray(total) / samples
