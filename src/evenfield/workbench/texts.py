"""Naming a design's text."""

from __future__ import annotations

import hashlib


def key_of_text(text: str) -> str:
    """A short name of a text, the same for the same text."""
    return hashlib.sha256(text.encode()).hexdigest()[:20]
