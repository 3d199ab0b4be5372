"""Verdict lines on directivity: handover, ripple of the index, lobing. evenfield's own measures."""

from __future__ import annotations

from collections.abc import Iterator

from evenfield import metrics
from evenfield.data.directivity import Directivity
from evenfield.loudspeaker.blame import ruling_part
from evenfield.loudspeaker.design import Brief
from evenfield.loudspeaker.handover import Handover
from evenfield.loudspeaker.predict import Prediction
from evenfield.loudspeaker.verdict import Line, guarded

OWN = "evenfield's own measure"
BEAM_TOLERANCE = 0.10


def handover_lines(d: Directivity, brief: Brief | None, prediction: Prediction | None) -> Iterator[Line]:
    """Every adjacent pair's measures, then the DI ripple of the power-summed field (of the field itself, without ways)."""
    wanted = brief or Brief()
    if prediction is None:
        yield Line("handover", "handover between ways", None, sure="this data holds no separate ways")
    else:
        for pair in prediction.handovers:
            yield from _pair(pair, wanted)
    field = prediction.power if prediction is not None else d
    target = f"at most {wanted.di_ripple:.2f} dB RMS, 300 Hz to 10 kHz"
    yield guarded("handover", "DI ripple", target, lambda: _ripple(field, wanted, target, prediction))


def _pair(pair: Handover, brief: Brief) -> Iterator[Line]:
    if pair.refused:
        yield Line(
            "handover", f"handover, {pair.lower} to {pair.upper}", None, where=f"{pair.frequency:.0f} Hz", sure=pair.refused
        )
        return
    place, cause = f"{pair.frequency:.0f} Hz", f"{pair.lower} and {pair.upper} in this cabinet"
    octave = f"{pair.frequency / 2**0.5:.0f} Hz to {pair.frequency * 2**0.5:.0f} Hz"
    name = f"{pair.lower} to {pair.upper}"
    step, limit = abs(pair.step_db), float(brief.handover_step)
    yield Line("handover", f"handover step, {name}", step <= limit, f"within ±{limit:.2f} dB", f"{pair.step_db:+.2f} dB",
               f"{limit - step:+.2f} dB", place, cause, OWN)  # fmt: skip
    for what, value, bound in (
        ("handover mismatch", pair.mismatch_db, float(brief.handover_mismatch)),
        ("pattern difference", pair.pattern_db, float(brief.pattern_difference)),
    ):
        yield Line("handover", f"{what}, {name}", value <= bound, f"at most {bound:.2f} dB RMS", f"{value:.2f} dB",
                   f"{bound - value:+.2f} dB", octave, cause, OWN)  # fmt: skip
    for plane, ratio in pair.beamwidth_ratio.items():
        off = abs(ratio - 1)
        margin = f"{100 * (BEAM_TOLERANCE - off):+.0f} %"
        found = f"{100 * (ratio - 1):+.0f} %"
        asked = f"beamwidth ratio, {plane}, {name}"
        yield Line("handover", asked, off <= BEAM_TOLERANCE, "within ±10 %", found, margin, octave, cause, OWN)
    ideal = f"no target; {pair.ideal_lobing_rms_db:.2f} dB RMS for ideal matched ways"
    found = f"{pair.lobing_rms_db:.2f} dB RMS, {pair.lobing_max_db:.2f} dB at most"
    yield Line("handover", f"lobing share, {name}", None, ideal, found, "", octave, "spacing of the ways", OWN)


def _ripple(field: Directivity, brief: Brief, target: str, prediction: Prediction | None) -> Line:
    ripple = metrics.di_ripple(field)
    limit = float(brief.di_ripple)
    return Line(
        "handover",
        "DI ripple",
        ripple.rms_db <= limit,
        target,
        f"{ripple.rms_db:.2f} dB RMS; steepest rise {ripple.steepest_rise:.1f} dB/octave at {ripple.steepest_at_hz:.0f} Hz",
        f"{limit - ripple.rms_db:+.2f} dB",
        f"worst {ripple.worst_db:+.2f} dB at {ripple.worst_at_hz:.0f} Hz",
        ruling_part(prediction, ripple.worst_at_hz) if prediction is not None else "",
        OWN,
    )
