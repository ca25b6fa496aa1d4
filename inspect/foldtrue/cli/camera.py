"""foldtrue camera: what a camera can resolve where it stands, by a photo of the bare mat."""

from __future__ import annotations

from pathlib import Path

import click

from foldtrue.cli.parts import FILE, Progress


@click.command()
@click.argument("photos", type=FILE, nargs=-1, required=True, metavar="PHOTO...")
@click.option("--out", type=FILE, help="File to write the figures to, such as camera.json; none without it.")
@click.option(
    "--keep",
    is_flag=True,
    help="Keep the figures in your folder: later photos of this camera at this focal length start from its lens.",
)
def camera(photos: tuple[Path, ...], out: Path | None, keep: bool) -> None:
    """Measure what a camera can resolve, from photos of the printed mat lying flat and bare.

    Pixels per millimetre, blur, noise, the limit they set for the place of a fold edge, the lens term and how even the
    light is. Take the photo as you photograph pieces: same place, zoom and light. What --keep keeps lies in camera.json
    in your folder: maker and model of the camera, never its serial number.
    """
    import numpy as np

    from foldtrue.home import home_folder
    from foldtrue.inspection import describe_photo
    from foldtrue.kept_camera import FILE, kept_entries, named_camera, with_camera
    from foldtrue.photo import read_photo
    from foldtrue.rectify.mat_camera import check_camera, together
    from foldtrue.report.camera import camera_file, camera_record, camera_text
    from foldtrue.report.files import write_whole

    checks, kept = [], kept_entries(home_folder()) if keep else []
    with Progress() as progress:
        progress("photo")
        read = [read_photo(path) for path in photos]
        named = named_camera(read) if keep else None
        for path, photo in zip(photos, read, strict=True):
            progress("scale")
            checks.append((describe_photo(path, photo), check_camera(photo)))
    lens = together(*(np.array([getattr(c, name) for _, c in checks]) for name in ("k1", "k1_std")))
    record = camera_record(checks, lens, named)
    if out is not None:
        write_whole(out, camera_file(record))
    if keep:
        write_whole(home_folder() / FILE, with_camera(kept, record))
    click.echo(camera_text(record))
    if keep:
        click.echo(f"Kept in {home_folder() / FILE}.")
