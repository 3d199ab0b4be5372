"""The verdict in the terminal."""

import io

from report_fixture import Line, Verdict, two_way, verdict
from rich.console import Console

from evenfield.report import print_verdict


def printed(*args, width=140):
    sink = io.StringIO()
    print_verdict(*args, console=Console(file=sink, width=width, color_system=None))
    return sink.getvalue()


def test_every_line_says_its_state_in_words():
    text = printed(verdict(), two_way())
    assert "brief not met" in text
    for line in verdict().lines:
        assert line.name in text
    assert text.count("✓ met") == 4 and text.count("✗ not met") == 3 and text.count("– not judged") == 1


def test_what_failed_says_where_and_why():
    text = printed(verdict())
    assert "✗ Flatness: 2.4 kHz, listening window. tweeter: waveguide mouth, edge diffraction. ±0.2 dB" in text


def test_what_is_not_judged_says_why():
    assert "– Reverberation-time dependence: no room given" in printed(verdict())


def test_handover_is_summed_up():
    assert "Handover woofer to tweeter at 1.8 kHz: step -0.62 dB, mismatch 1.31 dB" in printed(verdict(), two_way())


def test_fits_eighty_columns():
    assert max(len(line) for line in printed(verdict(), width=80).splitlines()) <= 80


def test_markup_in_a_verdict_is_printed_as_it_is():
    line = Line("Brief", "Level [red]x[/red]", False, "[a]", "b", "c")
    text = printed(Verdict("T [bold]", False, None, (line,)))
    assert "[red]x[/red]" in text and "T [bold]" in text
