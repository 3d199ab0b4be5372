"""Whether the elements fit."""

from __future__ import annotations

from evenfield.shape.elements import Cabinet


def check_cabinet(cabinet: Cabinet) -> None:
    """x"""
