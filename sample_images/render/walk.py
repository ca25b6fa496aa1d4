"""A path tracer that only follows paths until they meet a light, without aiming at lights on the way.

For pictures against the light every lamp is as wide as the sky: aiming at one from between the layers of paper costs
half the time and helps nothing. What helps is to lead paths downwards, to the light, as much as the layers above them
ask for."""

from __future__ import annotations

from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

mi.set_variant("llvm_ad_rgb")


def wanted(skin: Any, loss: float) -> Any:
    """Probability of going on downwards from this skin (counted from the top, 1 the first), for which every path would
    carry the same light if all layers were flat and endless: light falls off upwards as sinh(loss * skin), where
    cosh(loss) = 1 / (share that a skin does not swallow). Less at the first skin, so that the room's light stays in."""
    low, high = dr.sinh(loss * (skin - 1)), dr.sinh(loss * (skin + 1))
    return dr.select(skin < 1.5, 0.8, high / (low + high))


class Walk(mi.SamplingIntegrator):
    """Paths of at most max_depth bounces; swallowed: share of light that one skin of the paper keeps."""

    def __init__(self, props: Any) -> None:
        mi.SamplingIntegrator.__init__(self, props)
        self.max_depth = props.get("max_depth", 64)
        self.loss = float(np.arccosh(1 / (1 - props.get("swallowed", 0.04))))

    @dr.syntax
    def sample(
        self, scene: Any, sampler: Any, ray: Any, medium: Any = None, active: Any = True
    ) -> tuple[Any, Any, Any]:
        ray = mi.Ray3f(dr.detach(ray))
        light, weight = mi.Spectrum(0), mi.Spectrum(1)
        depth, above, active = mi.UInt32(0), mi.Float(0), mi.Bool(active)  # above: skins over the path's present place
        context = mi.BSDFContext()
        while active:
            si = scene.ray_intersect(ray, active)
            light += dr.select(active, weight * si.emitter(scene).eval(si, active), 0)
            active &= si.is_valid() & (depth < self.max_depth)
            bsdf = si.bsdf(ray)
            falls = ray.d.z < 0
            skin = dr.clip(dr.select(falls, above + 1, above), 1, 24)
            down = wanted(skin, self.loss)
            want = dr.select(falls, down, 1 - down)
            u = sampler.next_1d(active)
            first = u < want  # the paper lets the lower half of the draws through: stretch that half to `want`
            u = dr.select(first, 0.5 * u / want, 0.5 + 0.5 * (u - want) / (1 - want))
            weight *= 0.5 / dr.select(first, want, 1 - want)
            found, factor = bsdf.sample(context, si, u, sampler.next_2d(active), active)
            weight *= factor
            active &= dr.max(weight) > 1e-4
            ray = si.spawn_ray(si.to_world(found.wo))
            above = dr.select(ray.d.z < 0, skin, skin - 1)
            depth += 1
        return light, mi.Bool(True), []


def register_tracer() -> None:
    """Make the tracer known as `walk`."""
    mi.register_integrator("walk", Walk)
