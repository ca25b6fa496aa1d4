"""The desk: what lies there to be measured, is being measured, or was. One folder each, so that nothing is lost when
the server stops.

A folder holds job.json (what was asked, how far it is), the photos under names of our own, the plan, and `out` with the
result's files. Names that came from outside are kept as text and never become file names.
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from foldtrue.errors import UnreadableFile
from foldtrue.report.files import write_whole

JobKind = Literal["piece", "ring", "grid", "sheet", "practice"]
JobState = Literal["waiting", "running", "done", "declined", "stopped", "broken"]
OPEN: tuple[JobState, ...] = ("waiting", "running")
_ID = re.compile(r"[0-9a-f]{24}")
_KEPT = 200
_FILE = "job.json"
_MAX_NAME = 120


@dataclass(frozen=True, kw_only=True)
class Job:
    """One measuring; of the kind practice, of a photo that is drawn first.

    photos: names as the person's files are called, shown only. options: what the person said of the photos, plain
    values. step: the step running. what, advice: why it was declined or broke. made: seconds since 1970. seconds: how
    long the measuring took.
    """

    id: str
    kind: JobKind
    plan_name: str
    photos: tuple[str, ...]
    options: Mapping[str, Any] = field(default_factory=dict)
    state: JobState = "waiting"
    step: str = ""
    what: str = ""
    advice: str = ""
    made: float = 0.0
    seconds: float | None = None


class Desk:
    """All jobs below one folder. Every change is written whole before it is told."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def add(
        self, kind: JobKind, plan: tuple[str, bytes], photos: Sequence[tuple[str, Path]], options: Mapping[str, Any]
    ) -> Job:
        """A new job: plan as name and text, photos as name and file, which is moved to the desk. Raises UnreadableFile
        where it cannot be written; then nothing is left."""
        job = Job(
            id=secrets.token_hex(12),
            kind=kind,
            plan_name=plan[0],
            photos=tuple(_shown_name(name) for name, _ in photos),
            options=dict(options),
            made=time.time(),
        )
        place = self.folder(job.id)
        try:
            place.mkdir(parents=True)
            (place / "plan.json").write_bytes(plan[1])
            for path, (_, file) in zip(self.photo_files(job), photos, strict=True):
                shutil.move(file, path)
            self.write(job)
        except OSError as error:
            shutil.rmtree(place, ignore_errors=True)
            raise UnreadableFile(
                f"The photo cannot be kept: {error.strerror or error}.", "Make room on the disk."
            ) from None
        self._forget_old()
        return job

    def again(self, job: Job, options: Mapping[str, Any]) -> Job:
        """A new job of the same photos and plan with other options; the old one stays."""
        place, files = self.folder(job.id), self.photo_files(job)
        copies = [place / f"again-{path.name}" for path in files]
        for path, copy in zip(files, copies, strict=True):
            shutil.copyfile(path, copy)
        plan = (job.plan_name, (place / "plan.json").read_bytes())
        return self.add(job.kind, plan, list(zip(job.photos, copies, strict=True)), options)

    def read(self, name: str) -> Job | None:
        """The job of that id; None where there is none, or its file is not one."""
        if not _ID.fullmatch(name):
            return None
        try:
            content = json.loads((self.folder(name) / _FILE).read_bytes())
            return Job(**{**content, "photos": tuple(content["photos"])})
        except (OSError, ValueError, TypeError, KeyError):
            return None

    def write(self, job: Job) -> None:
        write_whole(self.folder(job.id) / _FILE, json.dumps(asdict(job)).encode())

    def change(self, job: Job, **changes: Any) -> Job:
        job = replace(job, **changes)
        self.write(job)
        return job

    def jobs(self) -> list[Job]:
        """All jobs, the newest first."""
        names = [each.name for each in self._folder.iterdir()] if self._folder.is_dir() else []
        found = [job for job in map(self.read, names) if job is not None]
        return sorted(found, key=lambda job: job.made, reverse=True)

    def remove(self, job: Job) -> None:
        shutil.rmtree(self.folder(job.id), ignore_errors=True)

    def folder(self, name: str) -> Path:
        if not _ID.fullmatch(name):
            raise ValueError(f"not a job: {name!r}")
        return self._folder / name

    def out(self, job: Job) -> Path:
        return self.folder(job.id) / "out"

    def photo_files(self, job: Job) -> list[Path]:
        """One place a photo, with its number and no ending: a file is what it holds."""
        return [self.folder(job.id) / f"photo-{i + 1}" for i in range(len(job.photos))]

    def _forget_old(self) -> None:
        """The desk is no archive: the oldest jobs that are not open go when there are too many."""
        closed = [job for job in self.jobs() if job.state not in OPEN]
        for job in closed[_KEPT:]:
            self.remove(job)


def _shown_name(name: str) -> str:
    """The last part of a file's name without what cannot be printed: text to show, never a path."""
    last = re.split(r"[/\\]", name)[-1]
    return "".join(c for c in last if c.isprintable())[:_MAX_NAME] or "photo"
