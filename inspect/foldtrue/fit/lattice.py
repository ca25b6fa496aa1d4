"""fit_lattice: edge samples in, every vertex and every twist's pose out, each with its covariance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from foldtrue.alignment import fit_globally
from foldtrue.errors import NotThisPiece, PhotoTooPoor
from foldtrue.fit.faint import faint_lines
from foldtrue.fit.form import form_of, size_of, spread_std
from foldtrue.fit.held import PaperHeight
from foldtrue.fit.joint import joint_of, lens_root
from foldtrue.fit.lens import (
    UNTOLD_K1_STD,
    bends_alone,
    contradicted_by_places,
    doubted_by_places,
    lens_by_places,
    lens_effect,
    lens_from_bends,
    lens_prior,
    planned_points,
)
from foldtrue.fit.lines import EdgeLines, edge_lines, own_lines
from foldtrue.fit.network import Network, solve_network
from foldtrue.fit.options import FitOptions
from foldtrue.fit.outline import measure_outline
from foldtrue.fit.panels import measure_panels
from foldtrue.fit.pleats import measure_pleats
from foldtrue.fit.poses import pose_rows, supported_share
from foldtrue.fit.precreases import precrease_lines
from foldtrue.fit.slivers import sliver_lines
from foldtrue.fit.statement import Solution, on_plane, state
from foldtrue.fit.straightness import crease_scatter
from foldtrue.frames import Array, PlaneMap, apply_homography
from foldtrue.handover import Alignment, BoolArray, Features, KnownPlane, LatticeFit, Nominal, Plane
from foldtrue.lens_prior import kept_std
from foldtrue.propagation import covariance_root
from foldtrue.stretches import stretch_ends

LEAST_TWISTS = 5


def adjust_vertices(features: Features, plane: Plane, nominal: Nominal) -> tuple[PlaneMap, Array]:
    """The quick form of fit_lattice between two looks at the photo: the corrected map and its vertices (V, 2) mm."""
    options = FitOptions.for_view(plane.view, len(nominal.twists))
    _, _, lens_map, network = adjust(features, plane, nominal, options, rounds=3)
    vertices = nominal.vertices_mm + network.displacement_mm
    planned, found = _centres(nominal, nominal.vertices_mm), _centres(nominal, vertices)
    if _far_from_rim(nominal):
        held = network.unknown_of >= 0
        planned, found = nominal.vertices_mm[held], vertices[held]
    whole = fit_globally(planned, found, "homography", np.ones(len(planned)))
    moved = replace(lens_map, homography=lens_map.homography @ whole.matrix)
    return moved, apply_homography(np.linalg.inv(whole.matrix), vertices)


def fit_lattice(
    features: Features,
    plane: Plane,
    nominal: Nominal,
    options: FitOptions | None = None,
    *,
    known: KnownPlane | None = None,
    height: PaperHeight | None = None,
) -> LatticeFit:
    """Adjust the network, take the whole piece's fit out, and state every twist's pose.

    known: the photo's plane by a reference; the whole piece's fit is then a similarity, and size and form are figures.
    height: what may be known of the paper's height, None where it does nothing, as in a scan; it changes no figure,
    only how uncertain they are and what that is put down to.
    Raises NotThisPiece when too few of the plan's edges are where they should be, PhotoTooPoor when fewer than
    LEAST_TWISTS twists, or too small a share of them, are fixed by visible edges: the plane of the photo could then not
    be told from the piece's own errors.
    """
    options = options or FitOptions.for_view(plane.view, len(nominal.twists))
    _check_edges(features, plane, nominal, options)
    lines, k1_std, lens_map, network = adjust(features, plane, nominal, options, rounds=6)
    by_edges, by_noise, solved = _pose_covariance(network, nominal)
    # What lens and frame may do to all twists together says nothing about the edges of one, and mostly goes with the
    # map; nor does what is known of vertices because others were seen.
    alone, by_alone, solved_alone = network, by_edges, solved
    if network.loose is not network.factor:
        alone = replace(network, factor=network.loose)
        by_alone, _, solved_alone = _pose_covariance(alone, nominal)
    own = by_alone - _by_frame(alone, solved_alone)
    measured, flags = _fixed(features, lines, plane, nominal, own, options)
    majority = options.least_twists * int((~_cut_by_border(plane, nominal)).sum())
    if measured.sum() < LEAST_TWISTS or measured.sum() <= majority:
        raise PhotoTooPoor(
            f"Only {int(measured.sum())} of {len(measured)} twists show enough of their edges to be measured.",
            "Take the photo closer, sharper and evenly lit, with the whole piece in the picture.",
        )
    vertices = nominal.vertices_mm + network.displacement_mm
    planned, centres = _centres(nominal, nominal.vertices_mm), _centres(nominal, on_plane(vertices, lens_map, known))
    alignment: Alignment = "homography" if known is None else "similarity"
    whole = fit_globally(planned, centres, alignment, measured.astype(float))
    px_per_mm = float(np.median(features.px_per_mm))
    of_map, of_photo = (lens_root(k1_std),) * 2
    if known is not None:
        of_map, of_photo = covariance_root(known.map_cov), covariance_root(known.own_cov)
    final = lens_map if known is None else known.map
    relief = None if height is None else height.relief
    fields = {"lens" if known is None else "plane": _poses_by(nominal, final.term_fields(nominal.vertices_mm) @ of_map)}
    if relief is not None:
        fields["waves"] = _poses_by(nominal, relief.fields(nominal.vertices_mm))
    by_photo = _poses_by(nominal, final.term_fields(nominal.vertices_mm) @ of_photo)
    solution = Solution(
        lines=lines,
        network=network,
        pose_solved=solved,
        pose_fields=fields,
        pose_cov=by_edges + sum(each @ each.T for each in fields.values()),
        # The heights are the piece's own, and another photo sees them alike.
        noise_cov=by_noise + by_photo @ by_photo.T,
        whole=whole,
        vertices_mm=vertices,
        lens_map=lens_map,
        k1_std=float(np.hypot.reduce(of_map[8])),
        measured=measured,
        flags=tuple(map(tuple, flags)),
        px_per_mm=px_per_mm,
        known=known,
    )
    joint = joint_of(network, whole, nominal, final, of_map, relief)
    lens_mm = (lens_map.k1 - plane.map.k1) * lens_effect(features, nominal, plane.view, plane.map)
    scatter = crease_scatter(features, nominal, plane.view, lens_mm)
    stated = state(solution, joint, nominal, height)
    return replace(
        _with_form(stated, solution, planned),
        panels=measure_panels(nominal, stated.vertices_mm, stated.vertex_measured, joint),
        pleats=measure_pleats(nominal, plane.view, solution, joint, scatter),
        outline=measure_outline(nominal, plane.view, solution, joint),
        lens_prior=lens_prior(features, nominal, plane),
        spread_std=_spread_std(planned, by_edges, measured),
    )


def _with_form(fit: LatticeFit, solution: Solution, planned: Array) -> LatticeFit:
    """The fit with the piece's size and form, where a reference told the plane."""
    if solution.known is None:
        return fit
    scale, scale_std = size_of(planned, solution.whole, solution.pose_cov, solution.known)
    fields = {name: np.asarray(each @ each.T) for name, each in solution.pose_fields.items()}
    twists = np.asarray(solution.pose_cov - sum(fields.values()))
    parts = {"reference": fields.pop("plane"), **fields, "twists": twists}
    budget = {name: size_of(planned, solution.whole, cov, solution.known)[1] / scale for name, cov in parts.items()}
    form = form_of(planned, solution.whole, solution.pose_cov, fit.position_error_mm)
    return replace(fit, scale=scale, scale_std=scale_std, scale_budget=budget, alignment="similarity", form=form)


def _spread_std(planned: Array, by_edges: Array, measured: BoolArray) -> float:
    kept = np.flatnonzero(np.repeat(measured, 4))
    return spread_std(planned[measured], by_edges[np.ix_(kept, kept)])


def _in_picture(plane: PlaneMap, points_mm: Array) -> BoolArray:
    """Whether the points (N, 2) mm lie on the photo, whose middle is the lens's centre."""
    px = plane.to_px(points_mm)
    return np.asarray(((px >= 0) & (px <= 2 * plane.centre_px)).all(axis=1))


def _check_edges(features: Features, plane: Plane, nominal: Nominal, options: FitOptions) -> None:
    """Raise NotThisPiece when too few of the plan's edges are where the plan has them: a pattern of another pitch can
    explain much of the light and still have half its edges elsewhere, and a wider sheet can hold the same twists."""
    points, _ = planned_points(features, nominal, plane.view)
    inside = _in_picture(plane.map, points)
    s = nominal.views[plane.view]
    rim = inside & (np.minimum(s.layers_left, s.layers_right) == 0)[features.stretch]
    if plane.view != "backlit":
        _check_outline(features, plane, nominal, options)
        # The outline alone has placed many a plan: what is inside it must show.
        inside, rim = inside & ~rim, np.zeros_like(rim)
    clear = rim & ~features.clipped[features.stretch]  # a step into burnt-out light may be lost
    rim = clear if 3 * clear.sum() > rim.sum() else np.zeros_like(rim)
    seen = features.trust > 0
    edges, border = "edges are where they", "rim is where it"
    for which, name, least in ((inside, edges, options.least_edges), (rim, border, options.least_rim)):
        share = float(seen[which].mean()) if which.any() else 0.0
        if seen.any() and which.any() and share < least:  # none at all is a poor photo, said below
            raise NotThisPiece(
                f"Only {100 * share:.0f} % of the plan's {name} should be.",
                "Check that the plan is this piece's (sheet, spacing, divisions), and that nothing covers the piece.",
            )


def _check_outline(features: Features, plane: Plane, nominal: Nominal, options: FitOptions) -> None:
    """From the camera's side a kind that does not show gives no samples; of the outline most must: a wider sheet can
    hold the same twists."""
    s = nominal.views[plane.view]
    a, b = stretch_ends(nominal, plane.view)
    whole = _in_picture(plane.map, a) & _in_picture(plane.map, b)
    rim = np.flatnonzero(whole & (np.minimum(s.layers_left, s.layers_right) == 0))
    if len(rim) and features.found.any() and features.found[rim].mean() < options.least_rim:
        raise NotThisPiece(
            f"Only {100 * features.found[rim].mean():.0f} % of the plan's outline is where it should be.",
            "Check that the plan is this piece's (sheet, divisions), and lay the piece on a table of another tone.",
        )


def adjust(
    features: Features, plane: Plane, nominal: Nominal, options: FitOptions, rounds: int
) -> tuple[EdgeLines, float, PlaneMap, Network]:
    """Lens, lines and network: the lines, the std of k1, the map with its lens corrected, the solved network."""
    k1_change, k1_std, lens_mm = lens_from_bends(features, nominal, plane.view, plane.map, plane.lens)
    lines, network = _solve_lines(features, plane, nominal, options, (k1_change, lens_mm), rounds)
    corrected = replace(plane.map, k1=plane.map.k1 + k1_change)
    planned = _centres(nominal, nominal.vertices_mm)
    found = _centres(nominal, nominal.vertices_mm + network.displacement_mm)
    if contradicted_by_places(corrected, planned, found):
        k1, k1_std = 0.0, UNTOLD_K1_STD
        if plane.lens is not None and lens_prior(features, nominal, plane) == "kept":
            k1, k1_std = plane.lens.k1, kept_std(plane.lens)
        corrected = replace(plane.map, k1=k1)
        lens_mm = (k1 - plane.map.k1) * lens_effect(features, nominal, plane.view, plane.map)
        lines, network = _solve_lines(features, plane, nominal, options, (k1 - plane.map.k1, lens_mm), rounds)
    elif plane.lens is None:
        change, std = bends_alone(features, nominal, plane.view, plane.map)
        by_places = lens_by_places(corrected, planned, found)
        k1_std = doubted_by_places(corrected.k1, k1_std, (plane.map.k1 + change, std), by_places)
    return lines, k1_std, corrected, network


def _solve_lines(
    features: Features, plane: Plane, nominal: Nominal, options: FitOptions, lens: tuple[float, Array], rounds: int
) -> tuple[EdgeLines, Network]:
    """lens: change of k1, and what it does (M,) mm to the samples' offsets."""
    k1_change, lens_mm = lens
    lines = edge_lines(features, nominal, plane.view, lens_mm)
    if not len(lines.crease):
        raise PhotoTooPoor("None of the piece's edges can be seen clearly enough to be measured.", "Take it sharper.")
    if features.faint is not None:
        lines = lines.join(faint_lines(features.faint, nominal, plane.view, plane.map, k1_change))
    between = None
    if features.slivers is not None:
        between = sliver_lines(features.slivers, nominal, plane.map, k1_change)
    unused = None
    if features.precreases is not None:
        unused = precrease_lines(features.precreases, nominal, plane.map, k1_change)
    weak = options.weak(features, nominal)
    return lines, solve_network(lines, nominal, weak, rounds, options.judge_by_shape, between, unused)


def _centres(nominal: Nominal, vertices_mm: Array) -> Array:
    """Centres (T, 2) of the twists' polygons with their tips at these vertices."""
    return np.array([vertices_mm[list(t.tips)].mean(0) for t in nominal.twists])


def _far_from_rim(nominal: Nominal) -> bool:
    """Whether the twists keep to the middle of the piece, as in a half-done one: what is fitted to them alone then
    leads astray at the rim, where edges are still to be looked for."""
    middle = nominal.outline_mm.mean(0)
    twists = np.hypot(*(_centres(nominal, nominal.vertices_mm) - middle).T).max()
    return bool(twists < 0.5 * np.hypot(*(nominal.outline_mm - middle).T).max())


def _poses_by(nominal: Nominal, fields: Array) -> Array:
    """(4 T, q) what independent displacements of the vertices, fields (V, 2, q), do to all poses."""
    rows = [
        row @ fields[list(t.tips)].reshape(2 * len(t.tips), fields.shape[2])
        for row, t in zip(pose_rows(nominal), nominal.twists, strict=True)
    ]
    return np.concatenate(rows)


def _pose_covariance(network: Network, nominal: Nominal) -> tuple[Array, Array, Array]:
    """Covariance (4 T, 4 T) of all poses (centre x, y mm, turn rad, size) from network and edge shifts, the part of it
    from the lines' own scatter, and the poses' part in the network (size, 4 T)."""
    rows = pose_rows(nominal)
    count = 4 * len(rows)
    columns = np.zeros((network.size, count))
    for k, (row, twist) in enumerate(zip(rows, nominal.twists, strict=True)):
        tips = np.array(twist.tips)
        unknown = network.unknown_of[tips]
        columns[np.stack([2 * unknown, 2 * unknown + 1], 1).ravel()[:, None], 4 * k + np.arange(4)] += row.T
    solved = network.factor.solve(columns)
    return np.asarray(columns.T @ solved), np.asarray(solved.T @ (network.noise @ solved)), np.asarray(solved)


def _by_frame(network: Network, solved: Array) -> Array:
    """The part (4 T, 4 T) of the poses' covariance that comes with the frame: what would be gone if that were known
    (conditional covariance of normal distributions). solved: as from `_pose_covariance`."""
    frame = network.frame_columns
    if not len(frame):
        return np.zeros((solved.shape[1],) * 2)
    unit = np.zeros((network.size, len(frame)))
    unit[frame, np.arange(len(frame))] = 1
    own = network.factor.solve(unit)[frame]
    return np.asarray(solved[frame].T @ np.linalg.solve(own, solved[frame]))


def _fixed(
    features: Features, lines: EdgeLines, plane: Plane, nominal: Nominal, cov: Array, options: FitOptions
) -> tuple[BoolArray, list[list[str]]]:
    """Which twists the visible edges fix, and the flags of those they do not."""
    points, _ = planned_points(features, nominal, plane.view)
    crease = nominal.views[plane.view].crease[features.stretch]
    share = supported_share(points, features.trust > 0, crease, nominal, 0.04 * nominal.pitch_mm)
    cut = _cut_by_border(plane, nominal)
    blocks = cov.reshape(len(share), 4, len(share), 4)
    own = blocks[np.arange(len(share)), :, np.arange(len(share)), :]
    position_std = np.sqrt(np.linalg.eigvalsh(own[:, :2, :2])[:, 1])
    angle_std = np.degrees(np.sqrt(own[:, 2, 2]))
    flags: list[list[str]] = [[] for _ in share]
    unseen = share < options.least_share
    if options.least_lines:
        unseen |= own_lines(lines, nominal) < options.least_lines
    for k in range(len(share)):
        if unseen[k]:
            flags[k].append("out_of_frame" if cut[k] else "not_seen")
        elif position_std[k] > options.most_position_pitch * nominal.pitch_mm or angle_std[k] > options.most_angle_deg:
            flags[k].append("few_support_px")
    return np.array([not f for f in flags]), flags


def _cut_by_border(plane: Plane, nominal: Nominal) -> BoolArray:
    """Whether each twist (T,) lies outside the photo with one tip at least."""
    return np.array([not _in_picture(plane.map, nominal.vertices_mm[list(t.tips)]).all() for t in nominal.twists])
