"""The pictures of docs/serve.md, taken anew of the pages as they are: python docs/make_screenshots.py

A server of its own measures the sample photo of sample_images/window-panel, an invented panel that was drawn, and keeps
what it measures in a folder that goes away. `--narrow FOLDER` writes the same pages as a telephone shows them.
"""

from __future__ import annotations

import argparse
import io
import shutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT / "inspect"), str(ROOT / "tests")]

from PIL import Image  # noqa: E402
from playwright.sync_api import Page, sync_playwright  # noqa: E402
from recorded import made_entry, made_result  # noqa: E402
from served import QUIET, Served  # noqa: E402

from foldtrue.handover_record import RecordedPhoto  # noqa: E402
from foldtrue.record.store import Record  # noqa: E402

SAMPLE = ROOT / "sample_images" / "window-panel"
IMAGES = Path(__file__).parent / "images"
WIDE, NARROW = (1120, 760), (360, 740)
MEASURED_MS = 60_000
PIECES = 14


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--narrow", type=Path, metavar="FOLDER", help="Write them 360 px wide to this folder.")
    folder = parser.parse_args().narrow
    width, height = NARROW if folder else WIDE
    with tempfile.TemporaryDirectory() as home, sync_playwright() as driver:
        keep_pieces(Path(home))
        server = Served(Path(home))
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=QUIET.split())
        try:
            page = browser.new_page(viewport={"width": width, "height": height})
            page.set_default_timeout(MEASURED_MS)
            take_all(page, server.address, folder or IMAGES)
        finally:
            browser.close()
            server.stop()


def keep_pieces(home: Path) -> None:
    """A made-up shelf: the pieces of an invented studio, each a little truer than the one before, with figures that
    were drawn by chance and the sample's picture."""
    stream = io.BytesIO()
    with Image.open(SAMPLE / "photo.jpg") as image:
        image.thumbnail((320, 280))
        image.save(stream, "JPEG", exif=b"")
    with Record(home / "record.db", create=True) as kept:
        for k in range(PIECES):
            result = made_result(k, scatter_mm=0.3 - 0.012 * k, scatter_deg=0.6 - 0.02 * k)
            origin = result["provenance"]["photo"]
            photo = RecordedPhoto(origin["name"], origin["sha256"], stream.getvalue())
            name = f"stair window {k + 1} (invented)"
            kept.add(made_entry(k, result=result, photos=(photo,), piece=name, folder="heron", paper="kozo 30 g"))


def take_all(page: Page, address: str, folder: Path) -> None:
    folder.mkdir(exist_ok=True)

    def take(name: str) -> None:
        page.wait_for_load_state("networkidle")
        page.screenshot(path=folder / f"page-{name}.jpg", type="jpeg", quality=72)

    page.goto(f"{address}/plan")
    page.get_by_label("Or bring a plan file").set_input_files(SAMPLE / "plan.json")
    page.locator("form:has(#plan_file) button").click()
    page.get_by_role("link", name="Measure a piece of it").wait_for()
    take("plan")
    photo = page.get_by_role("link", name="Measure a piece of it").get_attribute("href")
    page.goto(address)
    take("start")
    page.goto(address + photo)
    page.get_by_label("Choose from this device").set_input_files(SAMPLE / "photo.jpg")
    page.locator("input[name=view][value=backlit]").check()
    take("photo")
    page.get_by_role("button", name="Measure").click()
    page.locator("#scene g.twist").first.wait_for()
    page.evaluate("window.scrollTo(0, 0)")
    take("result")
    page.goto(address + photo)
    page.get_by_label("Choose from this device").set_input_files(SAMPLE / "photo.jpg")
    page.locator("input[name=view][value=front]").check()
    page.get_by_role("button", name="Measure").click()
    page.locator("#pin-scene .handle").first.wait_for()
    page.locator("#pin-scene .handle").nth(3).focus()
    page.evaluate("window.scrollTo(0, document.querySelector('h1').offsetTop - 12)")
    take("declined")
    page.goto(f"{address}/shelf")
    take("shelf")
    page.goto(f"{address}/progress")
    page.evaluate("window.scrollTo(0, document.querySelector('.progress').offsetTop - 12)")
    take("progress")


if __name__ == "__main__":
    main()
