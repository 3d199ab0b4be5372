"""Filters to files: coefficient tables for the amplifier, a netlist for the network."""

from __future__ import annotations

from pathlib import Path

from evenfield.base.errors import DesignError, message
from evenfield.base.files import write_whole
from evenfield.filters.coefficients import FORMATS, write_coefficients
from evenfield.filters.passive_spice import to_spice
from evenfield.loudspeaker.chains import chain_of
from evenfield.loudspeaker.design import Design
from evenfield.loudspeaker.passive import network_of
from evenfield.loudspeaker.predict import Prediction

NETLISTS = (".cir", ".sp", ".spice", ".net")


def export_filters(prediction: Prediction, design: Design, path: str | Path, sample_rate: float | None = None) -> Path:
    """Write a design's filters.

    Parameters
        prediction : gives the drivers' impedances
        design : whose filters are written (a fitted copy, say)
        path : .csv, .json, .h or .wav for active filters; .cir, .sp, .spice or .net for a passive network
        sample_rate : Hz; the design's own where it states one
    Raises DesignError for a suffix that does not suit the design, no sample rate, or one that differs from the design's.
    """
    path = Path(path)
    if design.passive is not None:
        if path.suffix not in NETLISTS:
            raise DesignError(
                message("the file's suffix", f"one of {', '.join(NETLISTS)} for a passive network", path.suffix or "none")
            )
        text = to_spice(network_of(design, prediction.impedance), f"{design.name}: passive network")
        write_whole(path, lambda part: part.write_text(text, encoding="utf-8"))
        return path
    if path.suffix not in FORMATS:
        raise DesignError(message("the file's suffix", f"one of {', '.join(FORMATS)} for active filters", path.suffix or "none"))
    rate = rate_of(design, sample_rate)
    return write_coefficients(path, {n: chain_of(design, n) for n in design.ways}, rate)


def rate_of(design: Design, asked: float | None) -> float:
    """The processor's rate, Hz. Raises DesignError when there is none, or the design's and the one asked differ."""
    stated = {float(w.filters.sample_rate) for w in design.ways.values() if w.filters.sample_rate is not None}
    if len(stated) > 1:
        raise DesignError(
            message("ways.*.filters.sample_rate", "the same in every way", ", ".join(f"{r:g} Hz" for r in sorted(stated)))
        )
    own = next(iter(stated), None)
    if asked is not None and own is not None and asked != own:
        raise DesignError(
            message("the sample rate", f"the design's ({own:g} Hz)", f"{asked:g} Hz", fix="changing it in the design")
        )
    rate = asked or own
    if rate is None:
        raise DesignError(message("the sample rate", "given for coefficients", "nothing", fix="--rate 48000"))
    return rate
