"""Simulated photos of one piece, measured one by one and combined as a person would."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import jsonschema
import numpy as np
import pytest
from lamplight import DIVISIONS, left_after_fit, nominal_of
from panels import panel_plan

from foldtrue.cli import run
from foldtrue.errors import NotThisPiece, PhotoTooPoor, UsageError
from foldtrue.inspection import InspectOptions, inspect_photo, inspect_photos
from foldtrue.measured import radius95
from foldtrue.plan.file import write_plan
from foldtrue.pool import pool_photos
from foldtrue.simulate import Camera, Errors, Lamp, Scene, simulate_photo, truth_poses

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "result.schema.json").read_text())
THREE_LAMPS = {"a": {"roll": -6, "lamp": 120}, "b": {"roll": 9, "lamp": 240}, "c": {"roll": -2, "lamp": 0}}


@pytest.fixture(scope="session")
def shot(tmp_path_factory):
    """shot(spacing, view, piece=..., roll=..., lamp=..., side=...) -> (path, truth), each taken once."""
    folder = tmp_path_factory.mktemp("photos")

    @cache
    def take(spacing, view="front", piece=300, roll=-6, lamp=120, side=None, loose=1.0):
        camera = Camera(width_px=1400, height_px=1060, focal_35mm=50.0, roll_deg=float(roll), tilt_deg=4.0, side=side)
        errors = Errors(position_mm=0.3 * loose, angle_deg=loose, vertex_mm=0.03 * loose, seed=piece)
        scene = Scene(
            seed=7 * piece + roll + lamp, view=view, errors=errors, camera=camera, lamp=Lamp(azimuth_deg=float(lamp))
        )
        done = simulate_photo(nominal_of(spacing), scene)
        path = folder / f"{view}{spacing}-{piece}-{roll}-{lamp}-{side}-{loose}.png"
        cv2.imwrite(str(path), np.ascontiguousarray(done.photo.pixels[:, :, ::-1]))
        return path, done.truth

    return take


@pytest.fixture(scope="session")
def measured(shot):
    """The same measured alone, by one who says that the piece lies flat, as these do: (inspection, truth)."""

    @cache
    def run_one(spacing, view="front", **how):
        path, truth = shot(spacing, view, **how)
        options = InspectOptions(view=view, held="glass")
        return inspect_photo(path, panel_plan(spacing, DIVISIONS[spacing]), options), truth

    return run_one


@pytest.fixture(scope="session")
def three_lamps(measured):
    """Photos of one front with the lamp on three sides, by name, and the piece's truth."""

    def make(spacing, piece=300):
        both = {name: measured(spacing, piece=piece, **how) for name, how in THREE_LAMPS.items()}
        return {name: found for name, (found, _) in both.items()}, both["a"][1]

    return make


def misses(nominal, truth, fit):
    """Distance (n,) mm of each measured twist's error from the planted one."""
    wanted = left_after_fit(nominal, truth_poses(nominal, truth).position_error_mm)
    return np.hypot(*(fit.position_error_mm - wanted)[fit.measured].T)


def rms(values):
    return float(np.sqrt(np.mean(np.concatenate(values) ** 2)))


def with_scale(found, reference, scale, std, limits):
    """As if a thing of known size had lain in the picture."""
    fit = replace(found.fit, scale=scale, scale_std=std, scale_limits=limits)
    return replace(found, fit=fit, plane=replace(found.plane, reference=reference))


# --- what several photos bring ---

PIECES = {2: (300,), 3: (300, 301)}
MOST_LEFT = {2: 1.0, 3: 0.75}
"""Of a single photo's error. At spacing 2 a groove hides the same in every light, so that little is to be had."""


@pytest.mark.accuracy
@pytest.mark.parametrize("spacing", DIVISIONS)
def test_three_lamps_tell_more_than_one(three_lamps, spacing):
    nominal = nominal_of(spacing)
    single, pooled = [], []
    for piece in PIECES[spacing]:
        photos, truth = three_lamps(spacing, piece)
        single += [misses(nominal, truth, found.fit) for found in photos.values()]
        pooled.append(misses(nominal, truth, pool_photos(photos, same_way_up=True).inspection.fit))
    assert rms(pooled) < MOST_LEFT[spacing] * rms(single)


@pytest.mark.accuracy
@pytest.mark.parametrize("spacing", DIVISIONS)
def test_pooled_intervals_hold_the_truth(three_lamps, spacing):
    """24 and 48 twists: 85 % or fewer held are rarer than one in twenty at 95 % (binomial law)."""
    nominal, held = nominal_of(spacing), []
    for piece in PIECES[spacing]:
        photos, truth = three_lamps(spacing, piece)
        fit = pool_photos(photos, same_way_up=True).inspection.fit
        held.append(misses(nominal, truth, fit) < radius95(fit.position_cov_mm2[fit.measured]))
    assert np.concatenate(held).mean() > 0.85


def test_the_spread_found_is_the_spread_claimed(three_lamps):
    """Spacing 3, where each photo's own noise is most of what differs: no more spread than is claimed, and of what is
    claimed more than two thirds, the rest being what all photos share (how vertices lie that hardly show)."""
    found = pool_photos(three_lamps(3)[0]).repeatability
    assert found.p_value > 0.01
    assert found.chi_square / found.chi_freedoms > (2 / 3) ** 2
    assert found.widened == 1.0


def test_pooled_uncertainties_are_smaller_where_noise_is_what_limits(three_lamps):
    photos = three_lamps(3)[0]
    pooled = np.median(radius95(pool_photos(photos, same_way_up=True).inspection.fit.position_cov_mm2))
    assert all(pooled < np.median(radius95(f.fit.position_cov_mm2)) for f in photos.values())


def test_a_twist_seen_in_one_photo_only_is_in_the_piece(three_lamps):
    photos = dict(three_lamps(2)[0])
    for hidden, (name, photo) in enumerate(list(photos.items())[:2]):  # as if a thumb lay there
        bare = photo.fit.measured & (np.arange(24) != hidden)
        photos[name] = replace(photo, fit=replace(photo.fit, measured=bare))
    seen = np.array([f.fit.measured for f in photos.values()])
    assert not seen.all()
    assert (pool_photos(photos, same_way_up=True).inspection.fit.measured == seen.any(0)).all()


def test_one_sheet_under_all_photos_keeps_its_limits_and_two_things_have_none_in_common(three_lamps):
    photos, _ = three_lamps(3)
    first, second, third = photos.values()
    sheet = {
        "a": with_scale(first, "A4", 1.002, 0.004, (0.0032, 0.0045)),
        "b": with_scale(second, "A4", 1.004, 0.004, (0.0045, 0.0032)),
        "c": third,
    }
    fit = pool_photos(sheet, same_way_up=True).inspection.fit
    assert (fit.scale, fit.scale_std) == (pytest.approx(1.003), pytest.approx(0.004))
    assert fit.scale_limits == pytest.approx((0.0032, 0.0045))
    both = {**sheet, "c": with_scale(third, "mat", 1.003, 0.001, ())}
    assert pool_photos(both, same_way_up=True).inspection.fit.scale_limits == ()


def test_the_pooled_errors_are_after_the_best_fit_of_the_piece(three_lamps):
    """Fitting again changes nothing."""
    nominal = nominal_of(3)
    fit = pool_photos(three_lamps(3)[0]).inspection.fit
    assert left_after_fit(nominal, fit.position_error_mm) == pytest.approx(fit.position_error_mm, abs=1e-6)


def test_the_pooled_figures_lie_in_the_photo_where_the_twists_are(three_lamps):
    photos, truth = three_lamps(3)
    fit = pool_photos(photos, same_way_up=True).inspection.fit
    drawn = np.array([t.mean(0) for t in truth.tips_px])
    assert np.hypot(*(fit.centre_px - drawn).T).max() < 0.8
    middles = np.array([tips.mean(0) for tips in fit.tips_px])
    assert np.abs(middles - fit.centre_px).max() < 0.1


# --- the piece turned, or turned over ---


@pytest.mark.parametrize("spacing", DIVISIONS)
def test_a_turned_piece_is_brought_to_one_orientation(measured, spacing):
    """Turned by 130 deg the plan looks alike after 120 (by 240 the other way): only the errors tell."""
    straight, truth = measured(spacing, **THREE_LAMPS["a"])
    turned, _ = measured(spacing, roll=130, lamp=80)
    pooled = pool_photos({"straight": straight, "turned": turned})
    assert [(p.status, p.plan_turn_deg) for p in pooled.photos] == [("used", 0.0), ("used", 240.0)]
    nominal = nominal_of(spacing)
    alone, both = (misses(nominal, truth, found.fit) for found in (straight, pooled.inspection))
    assert rms([both]) < 1.2 * rms([alone])


def test_a_backlit_photo_from_behind_is_known_by_the_front(measured):
    """Nobody said which side it is: seen from behind it looks like another front."""
    front, _ = measured(3, **THREE_LAMPS["a"])
    behind, _ = measured(3, "backlit", roll=-60, lamp=0, side="back")
    assert "side_assumed" in behind.plane.assumed
    pooled = pool_photos({"front": front, "behind": behind})
    assert [p.mirrored for p in pooled.photos] == [False, True]
    assert pooled.photos[1].inspection.plane.side == "back"
    assert "side_assumed" not in pooled.inspection.plane.assumed


def test_a_piece_too_true_to_tell_is_not_oriented_by_guess(measured):
    one, other = (measured(2, roll=roll, loose=0.03)[0] for roll in (-6, 114))
    pooled = pool_photos({"one": one, "other": other})
    assert pooled.inspection is None
    assert "orientation_assumed" in pooled.photos[1].flags
    assert "--same-way-up" in str(pooled.problem)


def test_what_the_person_says_about_it_is_taken(measured):
    one, other = (measured(2, **how, loose=0.03)[0] for how in ({"roll": -6}, {"roll": 4, "lamp": 240}))
    pooled = pool_photos({"one": one, "other": other}, same_way_up=True)
    assert [p.plan_turn_deg for p in pooled.photos] == [0.0, 0.0]


# --- photos that do not belong together ---


@pytest.mark.parametrize("spacing", DIVISIONS)
def test_a_photo_of_another_piece_is_named_and_left_out(three_lamps, measured, spacing):
    photos = three_lamps(spacing)[0]
    other, _ = measured(spacing, piece=301, **THREE_LAMPS["a"])
    pooled = pool_photos({"a": photos["a"], "other": other, "b": photos["b"]})
    assert [(p.name, p.status) for p in pooled.photos] == [("a", "used"), ("other", "left_out"), ("b", "used")]
    assert "photo_disagrees" in pooled.photos[1].flags
    assert "another piece" in pooled.photos[1].reason


@pytest.mark.parametrize("spacing", DIVISIONS)
def test_of_two_pieces_no_figures_of_one_are_given(measured, spacing):
    one, other = (measured(spacing, piece=piece, **THREE_LAMPS["a"])[0] for piece in (300, 301))
    pooled = pool_photos({"one.jpg": one, "other.jpg": other})
    assert pooled.inspection is None
    assert isinstance(pooled.problem, NotThisPiece)
    assert "one.jpg" in str(pooled.problem)
    assert "other.jpg" in str(pooled.problem)
    assert [p.inspection for p in pooled.photos] == [one, other]


def test_of_two_pieces_with_two_photos_each_neither_is_the_piece(three_lamps):
    one, other = three_lamps(3)[0], three_lamps(3, 301)[0]
    pooled = pool_photos({"one a": one["a"], "other a": other["a"], "one b": one["b"], "other b": other["b"]})
    assert pooled.inspection is None
    assert all(name in str(pooled.problem) for name in ("one a", "other a", "other b"))


def test_of_two_pieces_the_one_with_more_photos_is_the_piece(three_lamps):
    one, other = three_lamps(3)[0], three_lamps(3, 301)[0]
    pooled = pool_photos({**{f"other {k}": other[k] for k in "ab"}, **{f"one {k}": one[k] for k in "abc"}})
    assert [p.name for p in pooled.photos if p.status == "used"] == ["one a", "one b", "one c"]


@pytest.mark.parametrize(("off_mm", "used"), [(0.06, True), (0.11, False)])
def test_two_photos_that_disagree_give_no_common_figures(three_lamps, off_mm, used):
    """One of them with errors of its own on every twist: the piece is the same, the photo is not to be trusted. A
    little more than is claimed is widened instead."""
    photos = three_lamps(3)[0]
    fit = photos["b"].fit
    off = np.random.default_rng(1).normal(0, off_mm, fit.position_error_mm.shape)
    spoiled = replace(photos["b"], fit=replace(fit, position_error_mm=fit.position_error_mm + off))
    pooled = pool_photos({"a": photos["a"], "b": spoiled})
    assert (pooled.inspection is not None) == used
    if used:
        assert pooled.repeatability.widened > 1
    else:
        assert isinstance(pooled.problem, PhotoTooPoor)
        assert any("photo_disagrees" in p.flags for p in pooled.photos)


# --- the command ---


@pytest.fixture
def plan_file(tmp_path):
    path = tmp_path / "plan.json"
    write_plan(panel_plan(3, 24), path)
    return path


@pytest.fixture
def piece(plan_file):
    """piece(*photos, out=None) -> exit code."""

    def call(*photos, out=None):
        more = [] if out is None else ["--out", str(out)]
        return run(["piece", *map(str, photos), "--plan", str(plan_file), *more])

    return call


def test_files_of_the_piece_and_of_each_photo(piece, shot, tmp_path, capsys):
    wrong = shot(2, roll=-6, lamp=120)[0]
    assert piece(shot(3, **THREE_LAMPS["a"])[0], wrong, shot(3, **THREE_LAMPS["b"])[0], out=tmp_path / "out") == 0
    record = json.loads((tmp_path / "out" / "result.json").read_text())
    jsonschema.validate(record, SCHEMA)
    assert [p["status"] for p in record["photos"]] == ["used", "refused", "used"]
    assert record["repeatability"]["position_limit_mm"] == pytest.approx(
        2.8 * record["repeatability"]["position_std_mm"]
    )
    for photo in record["photos"]:
        assert (photo["folder"] is not None) == (photo["status"] == "used")
        if photo["folder"]:
            jsonschema.validate(json.loads((tmp_path / "out" / photo["folder"] / "result.json").read_text()), SCHEMA)
    text = capsys.readouterr().out
    assert record["provenance"]["options"]["same_way_up"] is False
    assert "Figures of one piece from 2 of 3 photos" in text
    assert "Repeatability of one photo (standard deviation)" in text
    assert f"{wrong.name}: refused." in text


def test_two_pieces_leave_each_photos_figures_and_no_others(piece, shot, tmp_path, capsys):
    out, names = tmp_path / "out", [shot(3, piece=p, **THREE_LAMPS["a"])[0] for p in (300, 301)]
    assert piece(names[0], shot(3, **THREE_LAMPS["b"])[0], out=out) == 0
    assert piece(*names, out=out) == 4
    assert not (out / "result.json").exists()
    assert sorted(p.name for p in (out / "photos").iterdir()) == sorted(n.stem for n in names)
    said = capsys.readouterr()
    assert "shows another piece" in said.err
    assert names[0].name in said.err
    assert piece(names[0], out=out) == 0
    assert not (out / "photos").exists()


def test_one_measured_of_two_stands_alone_and_that_is_said(piece, shot, capsys):
    assert piece(shot(3, **THREE_LAMPS["a"])[0], shot(2, roll=-6, lamp=120)[0]) == 0
    assert "1 of 2 photos could be measured; these are its figures alone." in capsys.readouterr().out


def test_photos_that_are_all_refused_are_an_error_that_names_the_first(piece, shot, tmp_path, capsys):
    nothing = tmp_path / "nothing.jpg"
    nothing.write_bytes(b"no picture")
    assert piece(nothing, tmp_path / "missing.jpg") == 3
    assert "nothing.jpg" in capsys.readouterr().err


def test_the_same_content_twice_is_refused(shot, tmp_path):
    path = shot(3, **THREE_LAMPS["a"])[0]
    copy = tmp_path / "copy.png"
    copy.write_bytes(path.read_bytes())
    with pytest.raises(UsageError, match="same file"):
        inspect_photos([path, copy], panel_plan(3, 24))
    with pytest.raises(UsageError, match="given twice"):
        inspect_photos([path, path], panel_plan(3, 24))


def test_a_place_in_the_picture_is_refused_for_several_photos(shot):
    paths = [shot(3, **THREE_LAMPS[k])[0] for k in "ab"]
    with pytest.raises(UsageError, match="one photo"):
        inspect_photos(paths, panel_plan(3, 24), InspectOptions(at_px=(10.0, 10.0)))


def test_with_one_photo_everything_stays_as_it_is(shot, measured):
    path, _ = shot(3, **THREE_LAMPS["a"])
    pooled = inspect_photos([path], panel_plan(3, 24), InspectOptions(view="front"))
    alone, _ = measured(3, **THREE_LAMPS["a"])
    assert pooled.repeatability is None
    assert (pooled.inspection.fit.position_error_mm == alone.fit.position_error_mm).all()
