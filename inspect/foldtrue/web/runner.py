"""One job after the other, in a process of its own: queue, time limit, stopping, and news of a process that died."""

from __future__ import annotations

import contextlib
import multiprocessing
import queue
import threading
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

from foldtrue.web.desk import OPEN, Desk, Job
from foldtrue.web.worker import serve_jobs

_POLL_S = 0.1


@dataclass(frozen=True, kw_only=True)
class RunnerOptions:
    """job_s: longest time for one job. memory_bytes: the measuring process's address space."""

    job_s: float = 180.0
    memory_bytes: int = 8 << 30


class Runner:
    """Takes jobs in order and keeps job.json up to date. A thread waits for the process; pages never do."""

    def __init__(self, desk: Desk, options: RunnerOptions | None = None) -> None:
        self._desk = desk
        self._options = options or RunnerOptions()
        self._waiting: queue.Queue[str | None] = queue.Queue()
        self._stopped: set[str] = set()
        self._closing = threading.Event()
        self._worker: tuple[BaseProcess, Connection] | None = None
        self._thread = threading.Thread(target=self._run, name="jobs", daemon=True)

    def start(self) -> None:
        """Starts the process, and takes up what an earlier server left open."""
        for job in reversed(self._desk.jobs()):
            if job.state in OPEN:
                self._waiting.put(self._desk.change(job, state="waiting", step="").id)
        self._thread.start()

    def close(self) -> None:
        """What is running goes back to waiting, for the next start."""
        self._closing.set()
        self._waiting.put(None)
        self._thread.join(5.0)
        self._end_worker()

    def add(self, job: Job) -> None:
        self._waiting.put(job.id)

    def stop(self, job: Job) -> None:
        """Gives up an open job; the process dies with it if it is at work on it."""
        if job.state in OPEN:
            self._stopped.add(job.id)
            if job.state == "waiting":
                self._desk.change(job, state="stopped", what="Stopped before it was measured.")

    def _run(self) -> None:
        self._ready()
        while not self._closing.is_set():
            name = self._waiting.get()
            job = None if name is None else self._desk.read(name)
            if job is not None and job.state == "waiting" and job.id not in self._stopped:
                with contextlib.suppress(Exception):  # a full disk: the job stays open, the server lives on
                    self._measure(job)

    def _measure(self, job: Job) -> None:
        start = time.monotonic()
        job = self._desk.change(job, state="running", step="plan")
        _, pipe = self._ready()
        try:
            pipe.send((str(self._desk.folder(job.id)), job.kind, dict(job.options), len(job.photos)))
            changes = self._follow(job, pipe, start)
        except (EOFError, OSError):
            changes = {
                "state": "broken",
                "what": "The measuring process ended unexpectedly.",
                "advice": "It is running again; try another photo, or a smaller one.",
            }
        if changes["state"] in ("stopped", "broken", "waiting"):
            self._end_worker()
        self._desk.change(job, **changes, seconds=time.monotonic() - start)

    def _follow(self, job: Job, pipe: Connection, start: float) -> dict[str, Any]:
        """Waits for the outcome and writes each step; gives what changes at the end."""
        while True:
            if self._closing.is_set():
                return {"state": "waiting", "step": ""}
            if job.id in self._stopped:
                return {"state": "stopped", "what": "Stopped.", "advice": ""}
            if time.monotonic() - start > self._options.job_s:
                what = f"Given up after {self._options.job_s:.0f} seconds."
                return {"state": "broken", "what": what, "advice": "Use a smaller photo, or fewer."}
            if not pipe.poll(_POLL_S):
                continue
            message = pipe.recv()
            if message[0] == "done":
                return {"state": "done"}
            if message[0] != "step":
                return {"state": message[0], "what": message[1], "advice": message[2]}
            job = self._desk.change(job, step=message[1])

    def _ready(self) -> tuple[BaseProcess, Connection]:
        if self._worker is not None and self._worker[0].is_alive():
            return self._worker
        self._end_worker()
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=serve_jobs, args=(theirs, self._options.memory_bytes), daemon=True)
        process.start()
        theirs.close()
        self._worker = process, ours
        return self._worker

    def _end_worker(self) -> None:
        if self._worker is None:
            return
        process, pipe = self._worker
        self._worker = None
        pipe.close()
        process.kill()
        process.join(5.0)
