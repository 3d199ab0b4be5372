"""What long work found, kept in the store by what it was made from: pictures ready to be shown, and proposals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from evenfield import __version__
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.predict import body_of
from evenfield.loudspeaker.store import Store, key_of
from evenfield.workbench.pictures.picture import Picture

NEEDS = {"fan": "rooms", "causes": "rooms", "motor": "motors", "harmonics": "motors", "loudest": "motors", "heat": "motors"}
"""Pictures that long work makes."""


def body_key(design: Design, folder: Path) -> str:
    """Names the solved body that a design's prediction stands on."""
    return key_of(body_of(design, folder).inputs())


def design_key(design: Design, folder: Path) -> str:
    """Names all that a design's sound depends on; its words are left out."""
    plain = design.model_copy(update={"name": "", "title": "", "note": ""})
    return key_of("found", __version__, plain, body_key(design, folder))


def keep(store: Store, base: str, kind: str, options: dict[str, str], picture: Picture, seconds: float) -> None:
    """Store a picture of a design. Raises EvenfieldError when the disk refuses."""
    text = json.dumps(picture.header, ensure_ascii=False, default=float).encode("utf-8")
    arrays = {f"a{i}": np.asarray(v, float) for i, v in enumerate(picture.arrays.values())}
    names = json.dumps(list(picture.arrays)).encode("utf-8")
    head = {"header": np.frombuffer(text, np.uint8), "names": np.frombuffer(names, np.uint8)}
    store.write(_key(base, kind, options), f"picture {kind}", {**head, **arrays}, seconds=seconds)


def kept(store: Store, base: str, kind: str, options: dict[str, str]) -> Picture | None:
    """A stored picture, or None."""
    found = store.read(_key(base, kind, options))
    if found is None:
        return None
    names = json.loads(found["names"].tobytes())
    return Picture(json.loads(found["header"].tobytes()), {name: found[f"a{i}"] for i, name in enumerate(names)})


def keep_proposal(store: Store, base: str, work: str, proposal: dict[str, Any]) -> None:
    """Store a proposal: a changed design file, and what is said of it."""
    text = np.frombuffer(json.dumps(proposal, ensure_ascii=False).encode("utf-8"), np.uint8)
    store.write(key_of("proposal", base, work), f"proposal {work}", {"text": text})


def kept_proposal(store: Store, base: str, work: str) -> dict[str, Any] | None:
    """A stored proposal, or None."""
    found = store.read(key_of("proposal", base, work))
    return None if found is None else json.loads(found["text"].tobytes())


def _key(base: str, kind: str, options: dict[str, str]) -> str:
    return key_of("picture", base, kind, options)
