"""Reports of a finished result: the page, the PDF, what they say, and what never gets into them."""

from __future__ import annotations

import base64
import copy
import io
import json
import re

import pypdfium2
import pytest
from PIL import Image
from reports import OPTIONS, SECRETS, Page, finished, from_telling_photo

import foldtrue.inspection
from foldtrue.cli import run
from foldtrue.errors import PhotoTooPoor, UnreadableFile, UsageError
from foldtrue.measured import plus_minus
from foldtrue.piece_report import Finished, html_report, pdf_report, read_finished
from foldtrue.report.page import PageOptions
from foldtrue.report.units import Units

HOSTILE = '<script>alert("1")</script>\x07\u202e' + "very long " * 100
TERM = {"position_u95_mm": 0.03, "angle_u95_deg": 0.1}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("result")


@pytest.fixture
def found(inspection, folder):
    if not (folder / "result.json").exists():
        finished(inspection, folder)
    return read_finished(folder)


@pytest.fixture
def page(found):
    return Page(html_report(found, OPTIONS))


def changed(found, **parts):
    return Finished({**copy.deepcopy(found.record), **parts}, found.folder)


def pdf_text(content):
    return "\n".join(page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(content))


def test_the_page_is_well_formed_and_its_names_are_its_own(page):
    assert page.problems == []
    assert len(set(page.ids())) == len(page.ids())


def test_the_page_needs_nothing_but_itself(page):
    assert not {"script", "link", "iframe", "object"} & {tag for tag, _ in page.elements}
    for tag, attributes in page.elements:
        for name in ("src", "href"):
            assert attributes.get(name, "#").startswith(("#", "data:image/jpeg;base64,")), tag
    policy = next(a["content"] for tag, a in page.elements if a.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy


def test_every_twist_is_in_the_table_with_the_records_figures(page, found):
    overturn = found.record["fit"]["overturn_deg"]
    for twist in found.record["twists"]:
        row = page.row_of(twist["id"])
        if twist["position_error_mm"] is None:
            assert row[1] == row[2] == "not measured"
            continue
        x, y = twist["position_error_mm"]
        hand = 1 if twist["hand"] == "ccw" else -1
        assert row[1] == plus_minus((x * x + y * y) ** 0.5, twist["position_u95_mm"], "mm")
        assert row[2] == plus_minus(twist["angle_error_deg"] - hand * overturn, twist["angle_relative_u95_deg"], "deg")


def test_every_twist_can_be_pointed_at_and_leads_to_its_row(page, found):
    links = {a["href"] for tag, a in page.elements if tag == "a"}
    assert links == {f"#twist-{k}" for k in range(len(found.record["twists"]))}
    assert {link[1:] for link in links} <= set(page.ids())


def test_the_summary_says_the_records_figures(page, found):
    whole = found.record["summary"]
    assert f"{whole['measured']} of {whole['twists']}" in page.text
    assert plus_minus(whole["position_mean_error_mm"], whole["position_mean_error_u95_mm"], "mm") in page.text
    assert plus_minus(whole["worst_angle"]["error_deg"], whole["worst_angle"]["u95_deg"], "deg") in page.text


def test_the_verdict_has_a_word_and_a_shape(page, found):
    words = {"outside": "Outside its limits", "too_close": "Too close to call"}
    verdict = found.record["judgement"]["verdict"]
    assert words.get(verdict, "enough measured") in page.text
    assert any(a.get("class") == "shape" for _, a in page.elements)


def test_the_touch_up_list_has_its_words_and_pictures(page, found):
    entries = found.record["judgement"]["touch_up"]
    assert entries
    assert all(entry["words"] in page.text for entry in entries)
    assert sum(tag == "img" for tag, _ in page.elements) == min(len(entries), 12)


def test_two_reports_of_one_result_are_the_same(found):
    assert html_report(found, OPTIONS) == html_report(found, OPTIONS)
    assert pdf_report(found, OPTIONS) == pdf_report(found, OPTIONS)


def test_a_result_alone_has_a_report_without_pictures(found, tmp_path):
    (tmp_path / "alone.json").write_text(json.dumps(found.record))
    alone = read_finished(tmp_path / "alone.json")
    page = Page(html_report(alone, OPTIONS))
    assert "holds no picture" in page.text
    assert not {"img", "image"} & {tag for tag, _ in page.elements}
    assert len(pypdfium2.PdfDocument(pdf_report(alone, OPTIONS))) <= 2


def test_a_picture_of_other_twists_is_not_shown(found):
    twists = [{**twist, "id": f"other-{twist['id']}"} for twist in found.record["twists"]]
    assert "holds no picture" in html_report(changed(found, twists=twists), OPTIONS)


def test_a_result_that_was_not_judged_says_so(found):
    record = {k: v for k, v in found.record.items() if k != "judgement"}
    bare = Finished(record, found.folder)
    assert "Not judged" in Page(html_report(bare, OPTIONS)).text
    assert "Limits it was held against" not in pdf_text(pdf_report(bare, OPTIONS))


def test_inches_are_the_records_millimetres(found):
    page = Page(html_report(found, PageOptions(date="2026-05-04", units=Units("inch"))))
    twist = next(t for t in found.record["twists"] if t["position_error_mm"])
    x, y = twist["position_error_mm"]
    assert page.row_of(twist["id"])[1] == plus_minus(
        (x * x + y * y) ** 0.5 / 25.4, twist["position_u95_mm"] / 25.4, "in"
    )
    assert not re.search(r"\d mm\b", page.text)


def test_what_the_uncertainty_is_made_of_is_shown_where_the_result_tells_it(found):
    twists = copy.deepcopy(found.record["twists"])
    for twist in twists:
        if twist["position_error_mm"]:
            terms = {"pixel_noise": TERM, "lens": {"position_u95_mm": 0.04, "angle_u95_deg": 0.0}}
            twist["budget"] = {"terms": terms}
    page = Page(html_report(changed(found, twists=twists), OPTIONS))
    assert page.row_of("the lens")[2:] == ["64 %, ± 0.04 mm", "", "0 %, ± 0 deg"]
    assert page.row_of("the pixels' noise")[2:] == ["36 %, ± 0.03 mm", "", "100 %, ± 0.10 deg"]


def test_causes_are_shown_with_their_doubt_where_the_result_tells_them(found):
    finding = {"sentence": "The grid drifts by 0.2 mm.", "advice": "Crease from the middle.", "rival": "rows"}
    finding |= {"share_position": 0.4, "share_angle": None}
    told = {"reason": None, "scatter_mm": 0.1, "scatter_deg": 0.2, "border": None}
    page = Page(html_report(changed(found, diagnosis={**told, "findings": [finding]}), OPTIONS))
    assert "The grid drifts by 0.2 mm. Crease from the middle." in page.text
    assert "this piece alone does not tell the two apart" in page.text
    none = Page(html_report(changed(found, diagnosis={**told, "findings": []}), OPTIONS))
    assert "none stands out" in none.text


def test_names_from_outside_stay_text(found):
    record = copy.deepcopy(found.record)
    record["provenance"]["plan"]["name"] = record["provenance"]["photo"]["name"] = HOSTILE
    for row in record["twists"]:
        row["flags"] = ["<b>", HOSTILE]
    record["judgement"]["tolerances"]["name"] = HOSTILE
    hostile = Finished(record, found.folder)
    text = html_report(hostile, PageOptions(date="2026-05-04", title=HOSTILE, maker=HOSTILE))
    page = Page(text)
    assert page.problems == []
    assert not {"script", "b"} & {tag for tag, _ in page.elements}
    assert '<script>alert("1")</script>' in page.text
    assert not {"\x07", "\u202e"} & set(text)
    assert "very long " * 40 not in text
    printed = pypdfium2.PdfDocument(pdf_report(hostile, PageOptions(date="2026-05-04", title=HOSTILE, maker=HOSTILE)))
    assert len(printed) <= 3


def test_nothing_of_the_photos_metadata_gets_into_anything_written(inspection, tmp_path):
    """Place, serial numbers, camera, time and names, as EXIF, XMP and comment of a JPEG."""
    shot = from_telling_photo(inspection, tmp_path / "shot.jpg")
    out = tmp_path / "out"
    finished(shot, out)
    found = read_finished(out)
    (out / "report.html").write_text(html_report(found, OPTIONS))
    (out / "report.pdf").write_bytes(pdf_report(found, OPTIONS))
    assert all(secret in (tmp_path / "shot.jpg").read_bytes() for secret in SECRETS)
    written = [path for path in out.rglob("*") if path.is_file()]
    assert {path.suffix for path in written} == {".json", ".csv", ".png", ".jpg", ".html", ".pdf"}
    pictures = [path.read_bytes() for path in written if path.suffix in (".png", ".jpg")]
    embedded = re.findall(r"data:image/jpeg;base64,([\w+/=]+)", (out / "report.html").read_text())
    pictures += [base64.b64decode(text) for text in embedded] + printed_pictures(out / "report.pdf")
    assert len(pictures) >= 5
    for content in (*pictures, *(path.read_bytes() for path in written)):
        assert not any(secret in content for secret in SECRETS)
    for content in pictures:
        with Image.open(io.BytesIO(content)) as image:
            assert not image.getexif()
            assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def printed_pictures(path):
    """The JPEG streams of a PDF as they lie in it."""
    found = []
    for page in pypdfium2.PdfDocument(path):
        for item in page.get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_IMAGE]):
            stream = io.BytesIO()
            item.extract(stream)
            found.append(stream.getvalue())
    return found


def test_the_pdf_says_size_pitch_precision_verdict_and_limits(found):
    text = " ".join(pdf_text(pdf_report(found, PageOptions(date="2026-05-04", maker="A. Folder"))).split())
    whole = found.record["summary"]
    for part in (
        found.record["provenance"]["plan"]["name"],
        "Folded by A. Folder",
        "2026-05-04",
        f"Pitch of the grid planned {whole['pitch_mm']:.4g} mm",
        f"Twists {whole['twists']}",
        plus_minus(whole["position_mean_error_mm"], whole["position_mean_error_u95_mm"], "mm"),
        plus_minus(whole["worst_position"]["error_mm"], whole["worst_position"]["u95_mm"], "mm"),
        "Limits it was held against",
        "at most 0.2 mm",
        "against the light",
        "not a certified measurement",
    ):
        assert part in text, part


@pytest.mark.parametrize(("paper", "size"), [("A4", (595.3, 841.9)), ("Letter", (612.0, 792.0))])
def test_the_pdf_is_one_or_two_pages_of_the_paper_and_nothing_leaves_them(found, paper, size):
    pages = pypdfium2.PdfDocument(pdf_report(found, OPTIONS, paper))
    assert 1 <= len(pages) <= 2
    for page in pages:
        assert page.get_size() == pytest.approx(size, abs=0.1)
        for item in page.get_objects():
            left, bottom, right, top = item.get_bounds()
            assert left >= 28
            assert right <= size[0] - 28
            assert bottom >= 28
            assert top <= size[1] - 28


def test_the_pdf_shows_the_photo(found):
    pages = pypdfium2.PdfDocument(pdf_report(found, OPTIONS))
    assert sum(1 for _ in pages[0].get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_IMAGE])) == 1


@pytest.mark.parametrize("missing", ["summary", "edges", "nodes", "fit", "twists", "provenance"])
def test_a_record_without_a_part_is_refused_in_a_sentence(found, missing):
    record = {k: v for k, v in found.record.items() if k != missing}
    with pytest.raises(UnreadableFile, match="not the published form"):
        html_report(Finished(record, found.folder), OPTIONS)


@pytest.mark.parametrize("field", ["title", "maker", "date"])
def test_an_empty_name_is_refused(field):
    with pytest.raises(UsageError, match=f"The {field} is empty"):
        PageOptions(**{"date": "2026-05-04", field: "\x07 "})


def test_the_command_writes_what_is_asked_for(found, tmp_path, capsys):
    html, pdf = tmp_path / "r.html", tmp_path / "r.pdf"
    asked = ["--html", str(html), "--pdf", str(pdf), "--date", "2026-05-04", "--title", "Lantern seven"]
    assert run(["report", str(found.folder), *asked]) == 0
    assert "Lantern seven" in html.read_text()
    assert pdf.read_bytes().startswith(b"%PDF")
    assert capsys.readouterr().out.count("written.") == 2


def test_the_command_says_what_is_missing(found, tmp_path, capsys):
    assert run(["report", str(found.folder)]) == 2
    assert "--html FILE" in capsys.readouterr().err
    assert run(["report", str(tmp_path), "--html", str(tmp_path / "r.html")]) == 3
    assert not (tmp_path / "r.html").exists()


@pytest.mark.parametrize("name", ["result.json", "picture.jpg"])
def test_a_name_of_another_kind_of_file_is_refused(found, name, capsys):
    before = (found.folder / name).read_bytes()
    for option in ("--html", "--pdf"):
        assert run(["report", str(found.folder), option, str(found.folder / name)]) == 2
        assert "is no name for this report" in capsys.readouterr().err
    assert (found.folder / name).read_bytes() == before


@pytest.fixture
def piece(inspection, tmp_path, monkeypatch):
    """The command to measure a photo, which shows the made-up piece or, asked so, none."""
    monkeypatch.setenv("FOLDTRUE_HOME", str(tmp_path / "home"))
    plan = ["--height", "240", "--grid", "point-to-point", "--divisions", "16", "--spacing", "2", "--rings", "2"]
    assert run(["plan", "new", *plan, "--out", str(tmp_path / "plan.json")]) == 0

    def measure(*options, refused=False):
        def answer(path, plan, options=None, on_step=None):
            if refused:
                raise PhotoTooPoor("Too dark.", "Take it again.")
            return inspection

        monkeypatch.setattr(foldtrue.inspection, "inspect_photo", answer)
        out = ["--out", str(tmp_path / "out")]
        return run(["piece", "panel.jpg", "--plan", str(tmp_path / "plan.json"), *out, *map(str, options)])

    return measure


def test_measuring_can_write_the_page_as_well(piece, tmp_path):
    assert piece("--html", tmp_path / "r.html") == 0
    assert "<h1>window panel (invented)</h1>" in (tmp_path / "r.html").read_text()


def test_a_refused_photo_leaves_no_earlier_page(piece, tmp_path):
    assert piece("--html", tmp_path / "r.html") == 0
    assert piece("--html", tmp_path / "r.html", refused=True) == 5
    assert not (tmp_path / "r.html").exists()


def test_a_page_of_ones_own_is_never_overwritten(piece, tmp_path, capsys):
    (tmp_path / "r.html").write_text("<h1>Mine</h1>")
    assert piece("--html", tmp_path / "r.html") == 2
    assert "was not written by foldtrue" in capsys.readouterr().err
    assert (tmp_path / "r.html").read_text() == "<h1>Mine</h1>"


def test_a_page_without_a_folder_is_refused_before_anything_is_read(tmp_path, capsys):
    asked = ["--plan", "no-plan.json", "--html", str(tmp_path / "r.html")]
    assert run(["piece", "no-photo.jpg", *asked]) == 2
    assert "--out" in capsys.readouterr().err
