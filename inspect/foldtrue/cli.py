"""The command line: thin commands that read options, call one function each, and print. No science here.

Heavy modules are imported inside the commands, so that `foldtrue --help` answers at once.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from foldtrue import __version__
from foldtrue.errors import FoldtrueError, MachineLacks, UnreadableFile

if TYPE_CHECKING:
    from foldtrue.plan.summary import PlanSummary

STOPPED = 130
_FILE = click.Path(path_type=Path)
_ADVICE_LIBRARIES = "On Debian: apt-get install libgl1 libglib2.0-0"


def run(arguments: Sequence[str]) -> int:
    """Run a command line and return its exit code; a known failure is one line on stderr, never a traceback."""
    try:
        code = foldtrue.main(list(arguments) or ["--help"], prog_name="foldtrue", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except click.exceptions.UsageError as error:
        return _say(_usage_line(error), error.exit_code)
    except click.ClickException as error:
        return _say(error.format_message(), error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        return _say("Stopped.", STOPPED)
    except FoldtrueError as error:
        return _say(str(error), error.exit_code)
    except ImportError as error:
        lacks = MachineLacks(f"A part of foldtrue cannot be loaded: {error}.", _import_advice(error))
        return _say(str(lacks), lacks.exit_code)
    except MemoryError:
        return _say("There is not enough memory. Use a smaller photo.", MachineLacks.exit_code)
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        return _say(f"{place}{error.strerror or error}.", UnreadableFile.exit_code)


def _say(message: str, code: int) -> int:
    print("foldtrue: " + " ".join(message.split()), file=sys.stderr)
    return code


def _usage_line(error: click.exceptions.UsageError) -> str:
    path = error.ctx.command_path if error.ctx else "foldtrue"
    if isinstance(error, _NO_ARGUMENTS):
        return f"A command is missing. See '{path} --help'."
    return f"{error.format_message()} See '{path} --help'."


# Click 8.2 and later raise this error, whose message is the whole help page, where earlier versions printed the page.
_NO_ARGUMENTS: tuple[type[Exception], ...] = tuple(
    kind for kind in [getattr(click.exceptions, "NoArgsIsHelpError", None)] if kind is not None
)


def _import_advice(error: ImportError) -> str:
    """A missing .so is the system's, anything else Python's."""
    if ".so" in str(error):
        return _ADVICE_LIBRARIES
    own = not error.name or error.name.split(".")[0] == "foldtrue"
    return "Install foldtrue again." if own else f"pip install {error.name}"


def _point(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[float, float] | None:
    """Two numbers with a comma between them."""
    if value is None:
        return None
    try:
        x, y = (float(part) for part in value.split(","))
    except ValueError:
        problem = f"{value!r} is not two numbers with a comma between them, such as 2012,1533."
        raise click.BadParameter(problem, ctx, param) from None
    return x, y


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="foldtrue")
def foldtrue() -> None:
    """Measure a folded-paper twist tessellation from a photo: which twists are off, by how much, and how sure that is.

    Exit codes: 0 done, 2 wrong call or plan, 3 file unreadable, 4 not this piece, 5 photo too poor, 6 the machine lacks
    something.
    """


@foldtrue.group()
def plan() -> None:
    """Make, check and draw the plan a piece is folded after."""


@plan.command("new")
@click.option("--sheet", type=click.Choice(["hexagon"]), default="hexagon", show_default=True, help="Its shape.")
@click.option("--height", type=float, required=True, help="Flat-to-flat height of the sheet, mm.")
@click.option("--grid", type=click.Choice(["point-to-point", "edge-to-edge"]), required=True, help="What is divided.")
@click.option("--divisions", type=int, required=True, help="Number of divisions, even.")
@click.option("--twists", type=click.Choice(["triangle"]), default="triangle", show_default=True, help="Kind of twist.")
@click.option("--spacing", type=int, required=True, help="Distance of neighbouring twists, in grid pitches.")
@click.option("--rings", type=int, required=True, help="Number of complete rings of twists.")
@click.option("--first-hand", type=click.Choice(["ccw", "cw"]), default="ccw", show_default=True, help="Of twist t0.")
@click.option("--name", help="Name of the plan; made from the sizes if not given.")
@click.option("--out", type=_FILE, required=True, help="Plan file to write.")
def plan_new(out: Path, **choices: Any) -> None:
    """Write a plan file for a honeycomb of twists on a hexagonal sheet, after checking that it folds flat."""
    from foldtrue.plan.file import parse_plan, write_plan
    from foldtrue.plan.summary import check_plan

    made = parse_plan(_plan_content(**choices))
    summary = check_plan(made)
    write_plan(made, out)
    click.echo(_plan_text(summary))


def _plan_content(
    *, sheet: str, height: float, grid: str, divisions: int, spacing: int, rings: int, first_hand: str, **rest: Any
) -> dict[str, Any]:
    name = rest["name"] or f"{sheet} {height:g} mm, {grid} {divisions}, spacing {spacing}, rings {rings}"
    return {
        "format": "foldtrue-plan",
        "version": 1,
        "name": name,
        "sheet": {"shape": sheet, "height_mm": height},
        "grid": {"kind": grid, "divisions": divisions},
        "twists": {"recipe": "honeycomb", "spacing": spacing, "rings": rings, "first_hand": first_hand},
    }


def _plan_text(summary: PlanSummary) -> str:
    x, y = summary.first_twist_mm
    shares = ", ".join(f"{100 * share:.0f} % in {count}" for count, share in sorted(summary.layer_shares.items()))
    return "\n".join(
        (
            f"{summary.name}: folds flat. {summary.twists} twists, {summary.facets} facets.",
            f"Grid pitch {summary.pitch_mm:.2f} mm, lines {summary.row_mm:.2f} mm apart.",
            f"First twist t0: {x + 0.0:.1f} mm right of and {y + 0.0:.1f} mm above the sheet's centre.",
            f"Finished piece: height {summary.finished_height_mm:.1f} mm, width {summary.finished_width_mm:.1f} mm.",
            f"Layers: {summary.mean_layers:.2f} on the average; {shares}.",
        )
    )


@plan.command("check")
@click.argument("plan_file", metavar="PLAN", type=_FILE)
def plan_check(plan_file: Path) -> None:
    """Say whether PLAN folds flat, and what comes out."""
    from foldtrue.plan.file import read_plan
    from foldtrue.plan.summary import check_plan

    click.echo(_plan_text(check_plan(read_plan(plan_file))))


@plan.command("draw")
@click.argument("plan_file", metavar="PLAN", type=_FILE)
@click.option("--out", type=_FILE, required=True, help="SVG file to write.")
def plan_draw(plan_file: Path, out: Path) -> None:
    """Draw PLAN at true size: crease pattern (valley dashed, mountain dash-dot) and folded piece."""
    from foldtrue.plan.file import read_plan
    from foldtrue.plan.fold import fold_plan
    from foldtrue.report.drawing import draw_plan
    from foldtrue.report.files import write_whole

    write_whole(out, draw_plan(fold_plan(read_plan(plan_file))).encode())


@foldtrue.command()
@click.argument("photo", type=_FILE)
@click.option("--plan", "plan_file", type=_FILE, required=True, help="The plan file the piece was folded after.")
@click.option("--side", type=click.Choice(["front", "back"]), help="Side of the piece that faces the camera.")
@click.option(
    "--view",
    type=click.Choice(["auto", "backlit", "front", "back"]),
    default="auto",
    show_default=True,
    help="Lit from behind (backlit), or the front or back under a lamp or by a window; auto finds out.",
)
@click.option(
    "--at", callback=_point, metavar="PX,PY", help="The piece's centre in the upright photo, where it cannot be told."
)
@click.option(
    "--sheet",
    type=click.Choice(["auto", "none", "A4", "Letter"], case_sensitive=False),
    default="auto",
    show_default=True,
    help="Blank sheet of paper under the piece, for its scale; auto looks for one.",
)
@click.option("--out", type=_FILE, help="Folder for result.json, twists.csv and overlay.png; none without it.")
def piece(
    photo: Path,
    plan_file: Path,
    side: Any,
    view: Any,
    at: tuple[float, float] | None,
    sheet: Any,
    out: Path | None,
) -> None:
    """Measure the finished piece in PHOTO and print its errors, the worst twist first.

    Result files of an earlier run in the --out folder are removed before the photo is read, so that a refused photo
    leaves no result.
    """
    from foldtrue.report.files import clear_results

    if out is not None:
        clear_results(out, inputs=(photo, plan_file))
    from foldtrue.inspection import InspectOptions, inspect_photo
    from foldtrue.plan.file import read_plan
    from foldtrue.report.result import result_record
    from foldtrue.report.tables import piece_text
    from foldtrue.report.write import write_report

    options = InspectOptions(view=view, side=side, at_px=at, sheet=sheet)
    with _Progress() as progress:
        inspection = inspect_photo(photo, read_plan(plan_file), options, progress)
        progress("report")
        record = result_record(inspection) if out is None else write_report(inspection, out).record
    click.echo(piece_text(record))


@foldtrue.command()
@click.option("--plan", "plan_file", type=_FILE, help="Plan of the piece; a window panel of 24 twists if not given.")
@click.option("--out", type=_FILE, required=True, help="Folder for photo.jpg, plan.json and truth.json.")
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
def practice(plan_file: Path | None, out: Path, seed: int, difficulty: Any, view: Any) -> None:
    """Draw a photo of a piece that was never folded, with known errors, to try foldtrue on.

    Files of an earlier practice in the --out folder are replaced; any other photo.jpg or plan.json is left alone and
    refused.
    """
    from foldtrue.plan.file import parse_plan, read_plan, write_plan
    from foldtrue.plan.fold import fold_plan
    from foldtrue.report.files import PHOTO, PLAN, TRUTH, check_practice_folder, write_whole
    from foldtrue.report.truth import truth_record
    from foldtrue.report.write import record_text
    from foldtrue.simulate import practice_scene, simulate_photo, truth_poses

    check_practice_folder(out, plan_file)
    chosen = parse_plan(_plan_content(**_PRACTICE)) if plan_file is None else read_plan(plan_file)
    nominal = fold_plan(chosen)
    simulated = simulate_photo(nominal, practice_scene(seed, difficulty, view))
    poses = truth_poses(nominal, simulated.truth)
    truth = truth_record(nominal, simulated.truth, poses.position_error_mm, poses.angle_error_deg, poses.size_error)
    write_whole(out / TRUTH, record_text(truth).encode())
    write_whole(out / PHOTO, simulated.jpeg)
    if plan_file is None or not (out / PLAN).exists() or not plan_file.samefile(out / PLAN):
        write_plan(chosen, out / PLAN)
    click.echo(f"Now try: foldtrue piece {out / PHOTO} --plan {out / PLAN}")


_PRACTICE: dict[str, Any] = {
    "sheet": "hexagon",
    "height": 240.0,
    "grid": "point-to-point",
    "divisions": 16,
    "spacing": 2,
    "rings": 2,
    "first_hand": "ccw",
    "name": "window panel of an invented studio",
}

_STEP_WORDS = {
    "plan": "folding the plan",
    "photo": "reading the photo",
    "rectify": "finding the piece",
    "detect": "measuring edges",
    "fit": "comparing with the plan",
    "scale": "looking for a sheet of known size",
    "report": "writing the report",
}


class _Progress:
    """Shows the running step on stderr while it is a terminal, and wipes the line at the end."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()

    def __enter__(self) -> Callable[[str], None]:
        return self._step

    def _step(self, name: str) -> None:
        if self._shown:
            print(f"\r\x1b[K{_STEP_WORDS.get(name, name)} ...", end="", file=sys.stderr, flush=True)

    def __exit__(self, *_: object) -> None:
        if self._shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
