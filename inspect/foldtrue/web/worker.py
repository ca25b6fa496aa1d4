"""The process that measures. It lives as long as the server, so that libraries are loaded once, and dies alone: a photo
that breaks it, or takes too much memory, takes nothing else along.

It takes jobs as (folder, kind, options, number of photos) from a connection and answers with ('step', name), then one
of ('done',), ('declined', what, advice), ('broken', what, advice).
"""

from __future__ import annotations

import contextlib
import json
import signal
import traceback
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any

from foldtrue.errors import FoldtrueError, MachineLacks, NotThisPiece, PhotoTooPoor

if TYPE_CHECKING:
    from foldtrue.report.picture import ShownPicture

Step = Callable[[str], None]


def serve_jobs(pipe: Connection, memory_bytes: int) -> None:
    """Main loop of the process; ends when the server closes the connection."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the server's to handle
    _limit_memory(memory_bytes)
    _load_libraries()
    while True:
        try:
            folder, kind, options, photos = pipe.recv()
        except (EOFError, OSError):
            return
        _answer(pipe, _outcome(Path(folder), kind, options, photos, lambda step: _answer(pipe, ("step", step))))


def _answer(pipe: Connection, message: tuple[Any, ...]) -> None:
    try:
        pipe.send(message)
    except OSError:  # the server is gone, and with it whoever waits for this
        raise SystemExit(0) from None


def _outcome(folder: Path, kind: str, options: Mapping[str, Any], photos: int, step: Step) -> tuple[Any, ...]:
    options = {**options, "home": folder.parents[1]}  # whose desk the job lies on
    files = [folder / f"photo-{i + 1}" for i in range(photos)]
    try:
        KINDS[kind](files, folder / "plan.json", folder / "out", options, step)
    except MachineLacks as error:
        return ("broken", error.what, error.advice)
    except FoldtrueError as error:
        if isinstance(error, NotThisPiece | PhotoTooPoor) and kind == "piece" and len(files) == 1:
            with contextlib.suppress(FoldtrueError, OSError):  # without a preview the reason is told all the same
                _preview(files[0], folder / "plan.json", folder / "out", options)
        return ("declined", error.what, error.advice)
    except MemoryError:
        return ("broken", "There is not enough memory for this photo.", "Use a smaller photo.")
    except Exception as error:
        traceback.print_exc()
        return (
            "broken",
            f"foldtrue failed: {type(error).__name__}.",
            "Try another photo; the details are in the terminal.",
        )
    return ("done",)


def measure_piece(files: list[Path], plan_file: Path, out: Path, options: Mapping[str, Any], step: Step) -> None:
    from foldtrue.assess import assess_by
    from foldtrue.handover_judge import Rule
    from foldtrue.inspection import InspectOptions, inspect_photo, inspect_photos
    from foldtrue.judge.tolerances import DEFAULT, find_tolerances
    from foldtrue.plan.file import read_plan
    from foldtrue.report.pooled import write_pooled
    from foldtrue.report.write import ReportOptions, write_report
    from foldtrue.unfinished import unfinished

    plan, asked = read_plan(plan_file), _inspect_options(options, InspectOptions)
    assess = assess_by(find_tolerances(str(options.get("tolerances", DEFAULT))), Rule())
    if len(files) == 1:
        try:
            inspection = inspect_photo(files[0], plan, asked, step)
        except NotThisPiece as error:
            raise unfinished(files[0], plan, asked) or error from None
        step("report")
        write_report(inspection, out, ReportOptions(overlay=False), assess=assess)
    else:
        pooled = inspect_photos(files, plan, asked, step, bool(options.get("same_way_up")))
        step("report")
        write_pooled(pooled, out, assess)
        if pooled.inspection is None:
            raise pooled.problem or FoldtrueError("No figures of one piece come of these photos.")


def measure_ring(files: list[Path], plan_file: Path, out: Path, options: Mapping[str, Any], step: Step) -> None:
    from foldtrue.inspection import InspectOptions
    from foldtrue.inspection_ring import RingOptions, inspect_ring
    from foldtrue.plan.file import read_plan
    from foldtrue.report.write import ReportOptions, write_report

    rings = options.get("rings")
    ring = RingOptions(rings=None if rings is None else int(rings))
    inspection = inspect_ring(files[0], read_plan(plan_file), ring, _inspect_options(options, InspectOptions), step)
    step("report")
    write_report(inspection, out, ReportOptions(overlay=False))


def measure_practice(files: list[Path], plan_file: Path, out: Path, options: Mapping[str, Any], step: Step) -> None:
    """Draw a photo of a piece that was never folded, and measure it like any other."""
    from foldtrue.plan.file import read_plan
    from foldtrue.plan.fold import fold_plan
    from foldtrue.report.files import write_whole
    from foldtrue.simulate import practice_scene, simulate_photo

    step("draw")
    drawn = simulate_photo(fold_plan(read_plan(plan_file)), practice_scene(int(options["seed"]), "medium", "backlit"))
    photo = plan_file.with_name("practice.jpg")
    write_whole(photo, drawn.jpeg)
    measure_piece([photo], plan_file, out, {"view": "backlit", "side": "front"}, step)


def measure_grid(files: list[Path], plan_file: Path, out: Path, options: Mapping[str, Any], step: Step) -> None:
    from foldtrue.inspection_grid import GridOptions, inspect_grid
    from foldtrue.plan.file import read_plan
    from foldtrue.report.grid import write_grid_report

    view = options.get("view", "auto")
    inspection = inspect_grid(files[0], read_plan(plan_file), GridOptions(view=view), step)
    step("report")
    write_grid_report(inspection, out)


def measure_sheet(files: list[Path], plan_file: Path, out: Path, options: Mapping[str, Any], step: Step) -> None:
    from foldtrue.inspection_grid import inspect_sheet
    from foldtrue.plan.file import read_plan
    from foldtrue.report.sheet import write_sheet_report

    inspection = inspect_sheet(files[0], read_plan(plan_file), None, step)
    step("report")
    write_sheet_report(inspection, out)


def _preview(file: Path, plan_file: Path, out: Path, options: Mapping[str, Any]) -> None:
    """What the person needs to lay the plan on the photo by hand."""
    from foldtrue.photo import read_photo
    from foldtrue.plan.file import read_plan
    from foldtrue.plan.fold import fold_plan
    from foldtrue.report.preview import show_preview

    mirrored = "back" in (options.get("view"), options.get("side"))
    _write_picture(out, show_preview(read_photo(file), fold_plan(read_plan(plan_file)), mirrored))


def _write_picture(out: Path, shown: ShownPicture) -> None:
    from foldtrue.report.files import write_whole

    write_whole(out / "picture.jpg", shown.jpeg)
    write_whole(out / "picture.json", json.dumps(shown.places).encode())


KINDS: Mapping[str, Callable[[list[Path], Path, Path, Mapping[str, Any], Step], None]] = {
    "piece": measure_piece,
    "grid": measure_grid,
    "sheet": measure_sheet,
    "ring": measure_ring,
    "practice": measure_practice,
}


def _inspect_options(options: Mapping[str, Any], made: Callable[..., Any]) -> Any:
    from foldtrue.kept_camera import kept_lenses

    known = ("view", "side", "reference", "bars_mm", "dpi", "held", "pins")
    said = {name: options[name] for name in known if options.get(name) is not None}
    if "bars_mm" in said:
        said["bars_mm"] = tuple(said["bars_mm"])
    if "pins" in said:
        said["pins"] = tuple(tuple(row) for row in said["pins"])
    return made(**said, lenses=kept_lenses(options["home"]) if "home" in options else ())


def _limit_memory(memory_bytes: int) -> None:
    """Beyond it Python raises MemoryError, which is told. Systems without such limits have none."""
    try:
        import resource
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))


def _load_libraries() -> None:
    """What the first photo would otherwise wait for."""
    import foldtrue.assess
    import foldtrue.detect.edges
    import foldtrue.fit.bend
    import foldtrue.fit.lattice
    import foldtrue.inspection
    import foldtrue.judge.diagnose
    import foldtrue.judge.piece
    import foldtrue.photo
    import foldtrue.plan.file
    import foldtrue.plan.fold
    import foldtrue.rectify.piece
    import foldtrue.rectify.reference
    import foldtrue.report.picture
    import foldtrue.report.write  # noqa: F401
