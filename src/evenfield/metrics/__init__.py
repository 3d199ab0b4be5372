"""Measures of a directivity: the standard's curves, the handover between ways, time behaviour, limits.

Names load when first asked for, so that importing the room costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

_WHERE = {
    "directivity_index": "curves",
    "standard_curves": "curves",
}

__all__ = list(_WHERE)

if TYPE_CHECKING:
    from evenfield.metrics.curves import directivity_index as directivity_index
    from evenfield.metrics.curves import standard_curves as standard_curves


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(import_module(f"evenfield.metrics.{_WHERE[name]}"), name)
    raise AttributeError(f"module 'evenfield.metrics' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
