"""The whole job in a real browser: with a mouse, with keys alone, on a telephone, over a restart.

Rules of the last tests: axe-core (Deque), which checks WCAG 2.2 A and AA, and what it calls best practice.
"""

from __future__ import annotations

import re
import signal
from pathlib import Path

import numpy as np
import pytest
from served import Served

from foldtrue.frames import PlaneMap

SAMPLE = Path(__file__).parents[2] / "sample_images" / "window-panel"
WIDE, NARROW = 1280, 360
MEASURED_MS = 60_000


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    made = Served(tmp_path_factory.mktemp("home"))
    yield made
    made.stop()


@pytest.fixture(scope="module")
def opened(browser, server):
    """opened(width) -> a page that keeps what the browser complains of in `faults`."""
    pages = []

    def make(width=WIDE):
        page = browser.new_page(viewport={"width": width, "height": 800})
        page.set_default_timeout(20_000)
        page.faults = []
        page.on("console", lambda said: page.faults.append(said.text) if said.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: page.faults.append(str(error)))
        page.on("request", lambda asked: None if is_ours(asked.url, server) else page.faults.append(asked.url))
        pages.append(page)
        return page

    yield make
    for page in pages:
        page.close()


def is_ours(url, server):
    return url.startswith((server.address + "/", "blob:", "data:"))


@pytest.fixture(scope="module")
def plan_id(opened, server):
    """The sample's plan, brought by its file."""
    page = opened()
    page.goto(f"{server.address}/plan")
    page.get_by_label("Or bring a plan file").set_input_files(SAMPLE / "plan.json")
    page.locator("form:has(#plan_file) button").click()
    page.get_by_role("link", name="Measure a piece of it").wait_for()
    assert page.faults == []
    return re.search(r"plan=(\w+)", page.url)[1]


@pytest.fixture(scope="module")
def result(opened, server, plan_id):
    """Address of the result of the sample photo, sent and waited for as a person does, with a reload in the middle."""
    page = opened()
    page.goto(server.address)
    page.locator("#plan").select_option(plan_id)
    page.get_by_label("Finished piece").check()
    page.get_by_role("button", name="On to the photo").click()
    send_photo(page, "backlit")
    page.get_by_role("heading", name="Measuring").wait_for()
    page.reload()
    page.locator("#scene g.twist").first.wait_for(timeout=MEASURED_MS)
    assert page.faults == []
    return page.url


def send_photo(page, view):
    page.get_by_label("Choose from this device").set_input_files(SAMPLE / "photo.jpg")
    page.locator(f"input[name=view][value={view}]").check()
    page.get_by_role("button", name="Measure").click()


def put_on_the_shelf(page, result, piece, **fields):
    page.goto(result)
    page.get_by_label("Name of the piece").fill(piece)
    for label, words in fields.items():
        page.locator(f"#{label}").fill(words)
    page.get_by_role("button", name="Put it on the shelf").click()


@pytest.fixture(scope="module")
def recorded(opened, result):
    """Address of the piece's page, once on the shelf and once more, so that there are two to compare."""
    page = opened()
    put_on_the_shelf(page, result, "stair window", folder="heron", tags="gift, damp", note="first try")
    page.get_by_text("Recorded as number").wait_for()
    assert page.faults == []
    put_on_the_shelf(page, result, "stair window")
    page.get_by_label("Record it once more").check()
    page.get_by_role("button", name="Put it on the shelf").click()
    page.get_by_text("Recorded as number").wait_for()
    return page.url.split("?")[0]


def test_every_twist_is_drawn_and_has_a_row(opened, result):
    page = opened()
    page.goto(result)
    page.locator("#scene g.twist").first.wait_for()
    assert page.locator("#scene g.twist").count() == page.locator("#twists tbody tr").count() == 24
    assert page.faults == []


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_what_is_recorded_is_on_the_shelf_and_in_progress(opened, server, recorded, width):
    page = opened(width)
    page.goto(server.address)
    page.get_by_role("link", name="Shelf").click()
    page.get_by_role("link", name="stair window").click()
    assert page.get_by_text("Tags: damp, gift").is_visible()
    assert page.get_by_text("Verdict when it was measured").first.is_visible()
    assert page.locator(".side img").first.evaluate("(image) => image.decode().then(() => image.naturalWidth)") > 0
    page.get_by_role("link", name="Progress").click()
    page.locator("#person").select_option("heron")
    page.get_by_role("button", name="Show").click()
    assert page.get_by_text("1 piece").first.is_visible()
    assert page.faults == []


def test_the_shelf_is_searched_by_words(opened, server, recorded):
    page = opened()
    page.goto(f"{server.address}/shelf")
    for words, count in (("stair", 1), ("GIFT heron", 1), ("porch", 0)):
        page.get_by_label("Find").fill(words)
        page.get_by_role("button", name="Find").click()
        assert page.locator(".cards li").count() == count


def test_a_photo_that_is_recorded_already_is_noticed_in_another_tab(opened, result, recorded):
    other = opened()
    put_on_the_shelf(other, result, "another name")
    assert "recorded already" in other.get_by_role("alert").inner_text()
    assert other.get_by_label("Name of the piece").input_value() == "another name"


def test_one_photo_against_itself_shows_no_change(opened, recorded):
    page = opened()
    page.goto(recorded)
    for box in page.get_by_label("Compare this one").all():
        box.check()
    page.get_by_role("button", name="Compare the two").click()
    assert page.get_by_text("0 of").is_visible()
    assert page.faults == []


def test_a_piece_goes_on_the_shelf_and_off_again_with_keys_alone(opened, result, recorded):
    page = opened()
    page.goto(f"{result}/record")
    reach(page, "#piece")
    page.keyboard.type("keyboard piece")
    reach(page, "button:has-text('Put it')")
    page.keyboard.press("Enter")
    page.get_by_role("alert").wait_for()
    reach(page, "input[name=again]")
    page.keyboard.press("Space")
    reach(page, "button:has-text('Put it')")
    page.keyboard.press("Enter")
    page.get_by_text("Recorded as number").wait_for()
    reach(page, "a[href$=remove]")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Delete number").wait_for()
    reach(page, "main button")
    page.keyboard.press("Enter")
    page.wait_for_url("**/shelf")
    assert page.locator(".cards li").count() == 1


def test_every_control_up_to_measuring_is_reached_with_keys(opened, server, plan_id):
    page = opened()
    page.goto(server.address)
    reach(page, "#plan")
    reach(page, "input[name=stage]:checked")
    reach(page, "form[action='/photo'] button")
    page.keyboard.press("Enter")
    page.get_by_text("Drop").wait_for()
    reach(page, "#photo")
    reach(page, "input[name=view]:checked")
    reach(page, "#photo-form > button")


def reach(page, selector):
    """Tab until that is in focus."""
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.locator(selector).first.evaluate("(wanted) => wanted === document.activeElement"):
            return
    raise AssertionError(f"{selector} is not reached with Tab")


@pytest.fixture(scope="module")
def declined(opened, server, plan_id):
    """Address of a photo that was sent as seen from behind under a lamp, which it is not."""
    page = opened()
    page.goto(f"{server.address}/photo?plan={plan_id}&stage=piece")
    send_photo(page, "back")
    page.locator("#pin-scene .handle").first.wait_for(timeout=MEASURED_MS)
    assert page.faults == []
    return page.url


def test_a_photo_that_is_not_found_is_laid_down_by_hand(opened, declined, result):
    """Corners dragged to where the piece truly lies, and the light set right."""
    page = opened()
    page.goto(declined)
    page.locator("#pin-scene .handle").first.wait_for()
    places = page.evaluate("(job) => fetch(job + '/file/picture.json').then((a) => a.json())", page.url)
    truth = page.evaluate("(job) => fetch(job + '/file/result.json').then((a) => a.json())", result)
    corners = true_places(truth, np.array(places["pins"])[:, :2]) / places["factor"]
    page.evaluate("document.getElementById('board').scrollIntoView()")
    for handle, corner in zip(page.locator("#pin-scene .handle .grip").all(), corners.tolist(), strict=True):
        drag(page, handle, corner)
    page.locator("input[name=view][value=backlit]").check()
    page.get_by_role("button", name="Measure again from here").click()
    page.locator("#scene g.twist").first.wait_for(timeout=MEASURED_MS)
    assert page.faults == []


def true_places(record, places_mm):
    fit = record["fit"]
    lens = np.array(fit["lens_centre_px"])
    return PlaneMap(np.array(fit["homography"]), fit["k1"], lens, fit["lens_focal_px"]).to_px(places_mm)


def drag(page, handle, place):
    at = page.evaluate(
        "([x, y]) => { const s = document.getElementById('pin-scene');"
        "const p = new DOMPoint(x, y).matrixTransform(s.getScreenCTM()); return [p.x, p.y]; }",
        place,
    )
    box = handle.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(*at, steps=3)
    page.mouse.up()


def test_nothing_is_lost_when_the_server_dies_in_the_middle(opened, server, plan_id, result, recorded):
    page = opened()
    page.goto(f"{server.address}/photo?plan={plan_id}&stage=piece")
    with server.measuring_held():
        send_photo(page, "backlit")
        page.get_by_role("heading", name="Measuring").wait_for()
        page.wait_for_event("response", lambda answer: answer.url.endswith("/state"))  # its script runs
        server.stop(signal.SIGKILL)
    page.get_by_text("The server does not answer").wait_for()
    server.start()
    page.locator("#scene g.twist").first.wait_for(timeout=MEASURED_MS)
    page.goto(recorded)
    assert page.get_by_text("Tags: damp, gift").is_visible()


def test_a_backup_is_a_whole_record(opened, server, recorded, tmp_path):
    from foldtrue.record.store import Record

    page = opened()
    page.goto(f"{server.address}/settings")
    with page.expect_download() as coming:
        page.get_by_role("button", name="Save a backup now").click()
    coming.value.save_as(tmp_path / "copy.db")
    with Record(tmp_path / "copy.db") as copy:
        assert {row.piece for row in copy.find()} == {"stair window"}


RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
STATUS = {"/nowhere": 404, "/plan/new?sheet=polygon&twists=mixed&spacing=x&show=plan": 400}
PAGES = (
    "/",
    "/plan",
    "/plan?plan={plan}",
    "/plan/new?show=plan",
    "/plan/new?sheet=polygon&twists=mixed&spacing=x&show=plan",
    "/plan/new?finished=150&show=choices",
    "/photo?plan={plan}&stage=piece",
    "/photo?plan={plan}&stage=sheet",
    "/photo?plan={plan}&stage=ring",
    "{result}",
    "{result}/record",
    "{declined}",
    "/shelf",
    "{recorded}",
    "{recorded}/remove",
    "/shelf/compare?number=1&number=2",
    "/shelf/compare?number=1&number={second}",
    "/progress",
    "/print?plan={plan}",
    "/settings",
    "/settings/forget?alias=heron",
    "/nowhere",
)


@pytest.fixture(scope="module")
def second(opened, result, recorded):
    """Another piece on the shelf; made last, since tests before it count what is there."""
    page = opened()
    put_on_the_shelf(page, result, "porch light")
    page.get_by_label("Record it once more").check()
    page.get_by_role("button", name="Put it on the shelf").click()
    page.get_by_text("Recorded as number").wait_for()
    return page.url.split("?")[0]


def test_two_pieces_are_held_side_by_side_from_the_shelf(opened, server, second):
    page = opened()
    page.goto(f"{server.address}/shelf")
    for name in ("stair window", "porch light"):
        page.get_by_label(f"Compare {name}").check()
    page.get_by_role("button", name="Compare the two").click()
    page.get_by_role("heading", name="Two pieces side by side").wait_for()
    assert page.get_by_role("cell", name="cannot be told apart").count() >= 3
    assert page.get_by_role("cell", name="smaller in").count() == 0
    assert page.faults == []


@pytest.fixture(scope="module")
def addresses(server, plan_id, result, recorded, declined, second):
    def of(place):
        said = place.format(plan=plan_id, result=result, recorded=recorded, declined=declined, second=second[-1])
        return said if said.startswith("http") else server.address + said

    return of


@pytest.fixture(scope="module")
def sized(opened):
    """sized(width) -> one page of that width for all."""
    pages = {}
    return lambda width: pages.get(width) or pages.setdefault(width, opened(width))


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("place", PAGES)
def test_a_page_fits_the_screen_and_axe_finds_no_fault(sized, addresses, place, width):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page = sized(width)
    answer = page.goto(addresses(place))
    assert answer.status == STATUS.get(place, 200)
    page.wait_for_load_state("networkidle")
    page.evaluate("for (const each of document.querySelectorAll('details')) each.open = true")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    found = axe.Axe().run(page, options={"runOnly": RULES}).response
    assert len(found["passes"]) > 5
    assert [(fault["id"], fault["nodes"][0]["html"]) for fault in found["violations"]] == []
