"""Parts of the workbench by themselves: the thinking process's queue, texts changed in place, revisions, CSV."""

import asyncio
import csv
import io

import numpy as np
import pytest

from evenfield.base import DataError, DesignError
from evenfield.loudspeaker.revisions import Revisions
from evenfield.loudspeaker.store import Store
from evenfield.workbench.csv_text import csv_of
from evenfield.workbench.edit_text import Change, apply_changes
from evenfield.workbench.fields import step_of, with_value
from evenfield.workbench.pictures.picture import Panels, map_picture, table_picture
from evenfield.workbench.thinker import CURRENT, DRAG, IDLE, Thinker

TEXT = """\
# head
a: 1 mm   # one
group:    # kept
  b: 2 mm
  inner: {c: 3 mm, d: [4 mm, 5 mm]}  # in braces

  list:
    - {e: 6 mm}
    - e: 7 mm   # in a block
      f: 8 mm
text: "quoted: yes"
# foot
"""


@pytest.mark.parametrize(
    ("path", "value", "before", "after"),
    [
        ("a", "9 mm", "a: 1 mm   # one", "a: 9 mm   # one"),
        ("group.b", "9 mm", "  b: 2 mm", "  b: 9 mm"),
        ("group.inner.c", "9 mm", "{c: 3 mm,", "{c: 9 mm,"),
        ("group.inner.d.1", "9 mm", "4 mm, 5 mm", "4 mm, 9 mm"),
        ("group.inner.d.+", "9 mm", "4 mm, 5 mm", "4 mm, 5 mm, 9 mm"),
        ("group.inner.g", "9 mm", "5 mm]}  # in", "5 mm], g: 9 mm}  # in"),
        ("group.inner.c", "", "{c: 3 mm, d", "{d"),
        ("group.list.1.e", "9 mm", "- e: 7 mm   # in", "- e: 9 mm   # in"),
        ("group.list.1.f", "", "\n      f: 8 mm", ""),
        ("group.list.1.e", "", "e: 7 mm   # in a block\n      f", "f"),
        ("group.list.0", "", "    - {e: 6 mm}\n", ""),
        ("group.list.+", "{e: 9 mm}", "      f: 8 mm", "      f: 8 mm\n    - {e: 9 mm}"),
        ("group.new", "9 mm", "      f: 8 mm", "      f: 8 mm\n  new: 9 mm"),
        ("group.new.deep", "9 mm", "      f: 8 mm", "      f: 8 mm\n  new: {deep: 9 mm}"),
        ("text", "colon: here", '"quoted: yes"', '"colon: here"'),
        ("text", "plain", '"quoted: yes"', "plain"),
        ("top", "9 mm", '"quoted: yes"', '"quoted: yes"\ntop: 9 mm'),
        ("a", "", "a: 1 mm   # one\n", ""),
    ],
)
def test_one_value_changes_and_every_other_character_stays(path, value, before, after):
    assert TEXT.count(before) == 1
    assert apply_changes(TEXT, [Change(path, value)]) == TEXT.replace(before, after)


@pytest.mark.parametrize("path", ["a.b.c", "group.list.7.e", "group.inner", "group"])
def test_a_path_that_leads_nowhere_is_refused(path):
    with pytest.raises(DesignError):
        apply_changes(TEXT, [Change(path, "9 mm")])


def test_a_value_of_several_lines_is_refused():
    with pytest.raises(DesignError):
        apply_changes(TEXT, [Change("a", "1 mm\nb: 2 mm")])


def test_a_number_keeps_its_unit_and_tolerance_and_steps_are_round():
    assert with_value("5.6 ohm ± 3 %", 5.8, "ohm") == "5.8 ohm ± 3 %"
    assert with_value("-12.5 mm", 3, "mm") == "3 mm"
    assert with_value("", 2.5, "kHz") == "2.5 kHz"
    assert [step_of(v, "mm") for v in (38, 150, 0.75, None, 0)] == [1.0, 2.0, 0.02, 1.0, 1.0]
    assert step_of(float("inf"), "mm") == 1.0
    assert step_of(5.3, "dB") == 0.1 and step_of(400, "deg") == 1.0


def test_of_waiting_requests_the_most_urgent_comes_first_and_of_one_subject_the_newest():
    class Wire:
        sent: list = []

        def send(self, request):
            self.sent.append(request["n"])

    async def play():
        thinker = Thinker.__new__(Thinker)
        Thinker.__init__(thinker, ".")
        thinker._loop, thinker._connection = asyncio.get_running_loop(), Wire()

        def ask(n, urgency, subject=None):
            return asyncio.ensure_future(thinker.ask({"n": n}, urgency, subject))

        waiting = [
            ask(0, CURRENT),
            ask(1, IDLE),
            ask(2, DRAG, "drag"),
            ask(3, CURRENT),
            ask(4, DRAG, "drag"),
            ask(5, DRAG, "drag"),
        ]
        await asyncio.sleep(0)
        for n in (0, 5, 3, 1):
            assert Wire.sent[-1] == n
            thinker._take({"value": n, "last": False})
            thinker._take({"last": True})
        return Wire.sent, [(await w or {}).get("value") for w in waiting]

    sent, answers = asyncio.run(play())
    assert sent == [0, 5, 3, 1]
    assert answers == [0, 1, None, 3, None, 5]


def test_revisions_branch_where_one_went_back_and_keep_what_was_left(tmp_path):
    kept = Revisions(Store(tmp_path), "a.yaml")
    assert kept.current() is None and kept.can() == (False, False)
    for n in range(1, 5):
        kept.add(f"text {n}", "someone", f"step {n}")
    kept.step_back(), kept.step_back()
    assert kept.current().text == "text 2" and kept.can() == (True, True)
    assert kept.step_forth().number == 3
    kept.step_back()
    kept.add("text 5", "someone", "another way", "why")
    assert kept.can() == (True, False) and kept.current().parent == 2
    with pytest.raises(DataError):
        kept.step_forth()
    assert [h.number for h in kept.headings()] == [1, 2, 3, 4, 5] and kept.get(4).text == "text 4"
    kept.pin(3, True), kept.annotate(3, "the quiet one")
    other = Revisions(Store(tmp_path), "a.yaml")
    assert [(h.number, h.note) for h in other.headings() if h.pinned] == [(3, "the quiet one")]
    assert Revisions(Store(tmp_path), "b.yaml").headings() == []
    with pytest.raises(DataError):
        kept.get(9)


def test_tables_of_pictures_hold_every_digit():
    x = np.array([20.0, 1 / 3, 1e4])
    made = Panels("t", "c")
    made.axis(x)
    made.axis(x[:2], "short")
    made.panel("level", "Level", "dB")
    made.series("one", "One", np.pi * x)
    made.series("two", "Two", np.array([1.0, np.nan]), x="short")
    rows = list(csv.reader(io.StringIO(csv_of(made.done()))))
    assert rows[0] == ["Frequency [Hz]", "Level, One [dB]", "Frequency [Hz]", "Level, Two [dB]"]
    assert [float(r[1]) for r in rows[1:]] == list(np.pi * x)
    assert [r[3] for r in rows[1:]] == ["1.0", "", ""]
    level = np.arange(6.0).reshape(2, 3) / 7
    rows = list(
        csv.reader(io.StringIO(csv_of(map_picture("t", "c", x, np.array([-5.0, 5.0]), level, {"label": "Angle", "unit": "°"}))))
    )
    assert [float(v) for v in rows[0][1:]] == list(x) and [float(v) for v in rows[2][1:]] == list(level[1])
    rows = list(csv.reader(io.StringIO(csv_of(table_picture("t", "c", [("a", "A", "left")], [["=1+1"], ["fine"]])))))
    assert rows == [["A"], ["'=1+1"], ["fine"]]


def test_a_closing_search_counts_on_in_its_bar_and_names_its_own_best(tmp_path, monkeypatch):
    """The closing's values are shares of a limit, those before it the objective: they are not to be compared."""
    from types import SimpleNamespace
    from unittest import mock

    from evenfield.search.shape_search import Effort
    from evenfield.workbench import search_work
    from evenfield.workbench.search_work import Steps

    monkeypatch.setattr(search_work, "section_of", lambda *_: [])
    pipe = mock.Mock()
    steps = Steps(tmp_path, tmp_path, {}, {}, [], pipe)
    steps.plan(Effort(starts=2, rounds=2))
    total = pipe.start.call_args.args[0]
    assert steps._place({"stage": "fine", "start": 0, "number": 9}) < steps._place({"stage": "close", "start": 0, "number": 0})
    assert steps._place({"stage": "close", "start": 1, "number": 16}) == total
    for stage, number, value, step_db in (("fine", 0, 0.2, -0.5), ("close", 0, 3.0, -0.4), ("close", 1, 0.9, -0.1)):
        score = SimpleNamespace(measures={"step_db": step_db})
        steps.take(SimpleNamespace(stage=stage, start=0, number=number, value=value, score=score, design=None))
    assert steps.compared() == ["Step: -0.50 → -0.10 dB"]
