"""The quick model's kernels, compiled at the start in a process of their own, so that the first drag is no compile pause.

What is compiled goes to the disk, where the thinking process finds it; nothing is compiled twice between two starts.
"""

from __future__ import annotations

import multiprocessing
import os
from typing import Any


class Kernels:
    """The compiling process: started once, asked whether it is over."""

    def __init__(self) -> None:
        self._process: Any = None

    def start(self) -> None:
        """Begin, behind everything else."""
        context = multiprocessing.get_context("spawn")
        self._process = context.Process(target=compile_kernels, daemon=True, name="evenfield-kernels")
        self._process.start()

    @property
    def are_ready(self) -> bool:
        """True when it is over, also where it failed: the thinking process then compiles for itself."""
        return self._process is None or not self._process.is_alive()

    def close(self) -> None:
        """End it."""
        if self._process is not None and self._process.is_alive():
            self._process.terminate()
            self._process.join(1)


def compile_kernels() -> None:
    """Solve the smallest round body there is."""
    import signal

    from evenfield.base.air import Air
    from evenfield.loudspeaker.quick_round import round_fields
    from evenfield.shape.elements import Dome

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(10)
    round_fields(Dome("dome", 0.012, 0.004), Air.at(20.0, 101325.0, 0.5))
