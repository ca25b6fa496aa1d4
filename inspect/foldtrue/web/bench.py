"""What all pages share: folder, desk and runner, plans, record, templates, and the forms' token."""

from __future__ import annotations

import hmac
import secrets
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from foldtrue.report.files import write_whole
from foldtrue.report.units import Units
from foldtrue.web.desk import Desk
from foldtrue.web.plans import PlanShelf
from foldtrue.web.runner import Runner
from foldtrue.web.settings import read_settings
from foldtrue.web.shelf import Shelf

_MAX_FILES = 12
_MAX_FIELDS = 60
_MAX_FIELD_BYTES = 4_000_000


@dataclass(frozen=True)
class Bench:
    home: Path
    desk: Desk
    runner: Runner
    plans: PlanShelf
    shelf: Shelf
    token: str
    templates: Environment

    def page(self, name: str, status: int = 200, /, **values: Any) -> HTMLResponse:
        """A template as an answer; `token`, `units` and `today` are known in each."""
        known = {"token": self.token, "units": self.units(), "today": date.today().isoformat()}
        return HTMLResponse(self.templates.get_template(name).render({**known, **values}), status)

    def units(self) -> Units:
        """What the person wants to see lengths in."""
        return Units(read_settings(self.home).units)


def make_bench(home: Path) -> Bench:
    """Raises UnreadableFile where the folder cannot be written."""
    desk = Desk(home / "desk")
    plans, token = PlanShelf(home / "plans"), _token(home / "desk" / "token")
    return Bench(home, desk, Runner(desk), plans, Shelf(home), token, _templates())


def bench_of(request: Request) -> Bench:
    bench = request.app.state.bench
    assert isinstance(bench, Bench)
    return bench


async def read_form(request: Request) -> FormData:
    """The fields and files of a form sent from one of our pages. Raises HTTPException 403 where its token is missing or
    not ours: another page cannot read it, so it cannot send it."""
    form = await request.form(max_files=_MAX_FILES, max_fields=_MAX_FIELDS, max_part_size=_MAX_FIELD_BYTES)
    said = form.get("token") or request.headers.get("x-foldtrue-token", "")
    if not isinstance(said, str) or not hmac.compare_digest(said.encode(), bench_of(request).token.encode()):
        await form.close()
        raise HTTPException(403, "This form is not from this page. Load the page again.")
    return form


def words(form: FormData, name: str, longest: int = 200) -> str:
    """A field's text, cut; empty where it was not sent or is a file."""
    value = form.get(name)
    return value.strip()[:longest] if isinstance(value, str) else ""


def go_to(place: str) -> Response:
    return RedirectResponse(place, 303)


def _token(file: Path) -> str:
    """The forms' token: kept, so that a page that was open over a restart still works."""
    try:
        kept = file.read_text().strip()
    except OSError:
        kept = ""
    if len(kept) != 64:
        kept = secrets.token_hex(32)
        write_whole(file, kept.encode())
        file.chmod(0o600)
    return kept


def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("foldtrue.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
