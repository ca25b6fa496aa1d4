"""foldtrue practice: a photo of a piece that was never folded."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from foldtrue.cli.parts import FILE
from foldtrue.errors import UsageError


@click.command()
@click.option("--plan", "plan_file", type=FILE, help="Plan of the piece; a window panel of 24 twists if not given.")
@click.option("--out", type=FILE, required=True, help="Folder for photo.jpg, plan.json and truth.json.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Another number, another photo.")
@click.option(
    "--difficulty",
    type=click.Choice(["easy", "medium", "hard"]),
    default="medium",
    show_default=True,
    help="How carefully the piece was folded and photographed.",
)
@click.option(
    "--view",
    type=click.Choice(["backlit", "front", "back"]),
    default="backlit",
    show_default=True,
    help="Against the light, or the front or back under a lamp or by a window.",
)
@click.option(
    "--reference",
    type=click.Choice(["none", "mat", "card", "A4", "Letter"]),
    help="What gives the scale: the mat or a sheet under the piece, or a card beside it; left to chance if not given.",
)
@click.option("--rings", type=click.IntRange(1), help="A half-done piece: only so many rings are folded.")
@click.option("--scan", is_flag=True, help="A flatbed scan of the front or back instead of a photo.")
def practice(
    plan_file: Path | None,
    out: Path,
    seed: int,
    difficulty: Any,
    view: Any,
    reference: Any,
    rings: int | None,
    scan: bool,
) -> None:
    """Draw a photo of a piece that was never folded, with known errors, to try foldtrue on.

    Files of an earlier practice in the --out folder are replaced; any other photo.jpg or plan.json is left alone and
    refused.
    """
    from foldtrue.plan.file import read_plan, write_plan
    from foldtrue.plan.fold import fold_plan
    from foldtrue.plan.new import PlanWords, make_plan
    from foldtrue.plan.stages import stage_of_rings
    from foldtrue.report.files import PHOTO, PLAN, TRUTH, check_practice_folder, write_whole
    from foldtrue.report.truth import truth_record
    from foldtrue.report.write import record_text
    from foldtrue.simulate import practice_scene, simulate_photo, truth_poses
    from foldtrue.simulate.half_done import half_done_scene
    from foldtrue.simulate.laid_out import practised
    from foldtrue.simulate.render import diameter

    if scan and reference not in (None, "none"):
        raise UsageError("A scan needs no reference: its file tells the scale.", "Leave --reference or --scan out.")
    check_practice_folder(out, plan_file)
    chosen = make_plan(PlanWords(**_PRACTICE)).plan if plan_file is None else read_plan(plan_file)
    whole = fold_plan(chosen)
    nominal = whole if rings is None else stage_of_rings(chosen, whole, rings).nominal
    scene = practice_scene(seed, difficulty, view)
    if rings is not None:
        scene = half_done_scene(scene)
    if scan or reference is not None:
        scene = practised(scene, "scan" if scan else reference, diameter(nominal.vertices_mm))
    simulated = simulate_photo(nominal, scene)
    poses = truth_poses(nominal, simulated.truth)
    truth = truth_record(nominal, simulated.truth, poses.position_error_mm, poses.angle_error_deg, poses.size_error)
    write_whole(out / TRUTH, record_text(truth).encode())
    write_whole(out / PHOTO, simulated.jpeg)
    if plan_file is None or not (out / PLAN).exists() or not plan_file.samefile(out / PLAN):
        write_plan(chosen, out / PLAN)
    command = "piece" if rings is None else "ring"
    click.echo(f"Now try: foldtrue {command} {out / PHOTO} --plan {out / PLAN}")


_PRACTICE: dict[str, Any] = {"height": 240.0, "spacing": 2, "rings": 2, "name": "window panel of an invented studio"}
