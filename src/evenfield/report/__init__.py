"""Figures and documents: the design review's report, and the verdict in the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from evenfield.report.terminal import print_verdict as print_verdict
    from evenfield.report.write import write_report as write_report

_WHERE = {"write_report": "evenfield.report.write", "print_verdict": "evenfield.report.terminal"}

__all__ = ["print_verdict", "write_report"]


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        from importlib import import_module

        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module 'evenfield.report' has no attribute {name!r}")
