"""A face of the paper as a scattering surface for the path tracer: diffuse to both sides, nothing shiny."""

from __future__ import annotations

from typing import Any

import drjit as dr
import mitsuba as mi

mi.set_variant("llvm_ad_rgb")


class PaperSkin(mi.BSDF):
    """Scatters the share `back` to the side the light came from and `through` to the other (textures). Which side a
    path goes on to is drawn in proportion; with `halves`, the lower half of the first random number lets it through, so
    that a tracer can choose (see walk.py)."""

    def __init__(self, props: Any) -> None:
        mi.BSDF.__init__(self, props)
        self.back, self.through = props["back"], props["through"]
        self.halves = props.get("halves", False)
        sides = mi.BSDFFlags.FrontSide | mi.BSDFFlags.BackSide | mi.BSDFFlags.SpatiallyVarying
        self.m_components = [mi.BSDFFlags.DiffuseReflection | sides, mi.BSDFFlags.DiffuseTransmission | sides]
        self.m_flags = self.m_components[0] | self.m_components[1]

    def shares(self, si: Any, active: Any) -> tuple[Any, Any, Any]:
        """Colours scattered back and through, and the probability of drawing the latter."""
        back, through = self.back.eval(si, active), self.through.eval(si, active)
        chance = dr.mean(through) / dr.maximum(dr.mean(back) + dr.mean(through), 1e-6)
        if self.halves:
            chance = mi.Float(0.5)
        return back, through, chance

    def sample(self, ctx: Any, si: Any, sample1: Any, sample2: Any, active: Any = True) -> tuple[Any, Any]:
        back, through, chance = self.shares(si, active)
        passes = sample1 < chance
        wo = mi.warp.square_to_cosine_hemisphere(sample2)
        cosine = wo.z
        sign = dr.select((si.wi.z > 0) ^ passes, 1.0, -1.0)
        result = mi.BSDFSample3f()
        result.wo = mi.Vector3f(wo.x, wo.y, wo.z * sign)
        result.pdf = dr.select(passes, chance, 1 - chance) * cosine / dr.pi
        result.eta = 1.0
        result.sampled_type = dr.select(
            passes, mi.UInt32(+mi.BSDFFlags.DiffuseTransmission), mi.UInt32(+mi.BSDFFlags.DiffuseReflection)
        )
        result.sampled_component = dr.select(passes, mi.UInt32(1), mi.UInt32(0))
        weight = dr.select(passes, through / chance, back / (1 - chance))
        active = active & (si.wi.z != 0) & (cosine > 0)
        return result, dr.select(active, weight, 0)

    def eval(self, ctx: Any, si: Any, wo: Any, active: Any = True) -> Any:
        back, through, _ = self.shares(si, active)
        same = (si.wi.z > 0) == (wo.z > 0)
        return dr.select(active, dr.select(same, back, through) * dr.abs(wo.z) / dr.pi, 0)

    def pdf(self, ctx: Any, si: Any, wo: Any, active: Any = True) -> Any:
        _, _, chance = self.shares(si, active)
        same = (si.wi.z > 0) == (wo.z > 0)
        return dr.select(active, dr.select(same, 1 - chance, chance) * dr.abs(wo.z) / dr.pi, 0)

    def eval_pdf(self, ctx: Any, si: Any, wo: Any, active: Any = True) -> tuple[Any, Any]:
        return self.eval(ctx, si, wo, active), self.pdf(ctx, si, wo, active)

    def traverse(self, callback: Any) -> None:
        callback.put("back", self.back, mi.ParamFlags.Differentiable)
        callback.put("through", self.through, mi.ParamFlags.Differentiable)

    def to_string(self) -> str:
        return "PaperSkin[]"


def register_surface() -> None:
    """Make the surface known as `paperskin`."""
    mi.register_bsdf("paperskin", PaperSkin)
