"""Meshes built by processes of their own, ahead of GPUs that would otherwise wait for them.

Started as plain commands that talk through pipes, not by `multiprocessing`, so that a caller's script needs no main guard.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from dataclasses import fields
from queue import SimpleQueue
from typing import TYPE_CHECKING

from evenfield.base import EvenfieldError

if TYPE_CHECKING:
    from evenfield.data import SurfaceMesh
    from evenfield.shape import Cabinet, EdgeLengths

COMMAND = "from evenfield.loudspeaker.mesh_workers import serve; serve()"


class MeshWorkers:
    """`count` processes that build meshes; use as a context. With a count of 0, or where they fail, meshes are built here."""

    def __init__(self, count: int) -> None:
        self._idle: SimpleQueue[subprocess.Popen[bytes] | None] = SimpleQueue()
        self._all = [worker for worker in (_start() for _ in range(count)) if worker is not None]
        for worker in self._all:
            self._idle.put(worker)

    def __enter__(self) -> MeshWorkers:
        return self

    def __exit__(self, *_: object) -> None:
        for worker in self._all:
            worker.kill()
            worker.communicate()

    def build(self, cabinet: Cabinet, lengths: EdgeLengths) -> SurfaceMesh:
        """As `shape.build_surface`, by the first idle process; the caller's thread waits without holding up others."""
        worker = self._idle.get() if self._all else None
        found = _ask(worker, cabinet, lengths) if worker is not None else None
        if self._all:
            # one that broke is taken out by putting None in its place
            self._idle.put(worker if found is not None else None)
        if found is None:
            from evenfield.shape import build_surface

            return build_surface(cabinet, lengths)
        if isinstance(found, EvenfieldError):
            raise found
        return found


def _start() -> subprocess.Popen[bytes] | None:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    try:
        return subprocess.Popen(
            [sys.executable, "-c", COMMAND],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
        )
    except OSError:
        return None


def _ask(worker: subprocess.Popen[bytes], cabinet: Cabinet, lengths: EdgeLengths) -> SurfaceMesh | EvenfieldError | None:
    """The mesh, the error that says why there is none, or None where the process broke."""
    # lengths by field, as its read-only mapping does not travel
    given = {f.name: getattr(lengths, f.name) for f in fields(lengths)}
    question = pickle.dumps((cabinet, {**given, "parts": dict(lengths.parts)}))
    try:
        assert worker.stdin is not None and worker.stdout is not None
        worker.stdin.write(question)
        worker.stdin.flush()
        answer: SurfaceMesh | EvenfieldError = pickle.load(worker.stdout)
        return answer
    except (OSError, EOFError, pickle.PickleError):
        worker.kill()
        return None


def serve() -> None:
    """What a worker runs: reads (cabinet, lengths) from its input and writes meshes, or what was refused, to its output."""
    from evenfield.shape import EdgeLengths, build_surface

    asked, answers = sys.stdin.buffer, os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    while True:
        try:
            cabinet, given = pickle.load(asked)
        except EOFError:
            return
        try:
            answer: SurfaceMesh | EvenfieldError = build_surface(cabinet, EdgeLengths(**given))
        except EvenfieldError as refused:
            answer = refused
        pickle.dump(answer, answers)
        answers.flush()
