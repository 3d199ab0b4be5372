"""The design file: what is read, and how wrong files are answered."""

from pathlib import Path

import pytest

import evenfield as ef

EXAMPLES = Path(__file__).parents[2] / "examples"
SKIFF = (EXAMPLES / "skiff.yaml").read_text(encoding="utf-8")


def changed(tmp_path, old, new):
    assert old in SKIFF
    path = tmp_path / "changed.yaml"
    path.write_text(SKIFF.replace(old, new, 1), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", ["skiff", "ketch", "barque"])
def test_examples_load(name):
    design = ef.load_design(EXAMPLES / f"{name}.yaml")
    assert design.name.lower() == name
    assert len(design.ways) >= 2


def test_quantities_become_si_and_keep_tolerances(tmp_path):
    design = ef.load_design(changed(tmp_path, "re: 5.6 ohm ± 3 %", "re: 5600 mohm ± 4 %"))
    assert design.ways["woofer"].driver.re == pytest.approx(5.6)
    assert design.ways["woofer"].driver.re.tolerance == pytest.approx(0.04)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("  width: 165 mm", "  widht: 165 mm", ["cabinet.widht", "line ", "'width'"]),
        ("re: 5.6 ohm", "Re: 5.6 ohm", ["ways.woofer.driver.Re", "'re'"]),
        ("kind: cone", "kind: cnoe", ["ways.woofer.driver.kind", "Try 'cone'"]),
        ("  width: 165 mm", "  width: -165 mm", ["cabinet.width", "more than 0 m", "-165 mm"]),
        ("  width: 165 mm", "  width: 165 m", ["cabinet.width", "at most 5 m"]),
        ("  width: 165 mm", "  width: 165 kg", ["a mass", "165 mm"]),
        ("  width: 165 mm", "  width: 165", ["must have a unit"]),
        ("  width: 165 mm", "  width: nan mm", ["finite"]),
        ("evenfield: 1", "evenfield: 7", ["evenfield must be 1", "got 7"]),
        ("evenfield: 1\n", "", ["evenfield must name the file's version"]),
        ("brief:\n", "brief: [\n", ["must be YAML", "line "]),
        ("mounting: free", "mounting: fre", ["'free'"]),
        ("  edge_radius: 18 mm\n", "", ["cabinet.edge_radius must be given"]),
        ("order: 4", "order: four", ["order", "integer"]),
    ],
)
def test_errors_name_file_line_key_rule_and_value(tmp_path, old, new, words):
    with pytest.raises(ef.DesignError) as caught:
        ef.load_design(changed(tmp_path, old, new))
    text = str(caught.value)
    for word in [*words, "changed.yaml"]:
        assert word in text, text
    assert len(text.splitlines()) == 1


def test_errors_point_at_the_right_line(tmp_path):
    path = changed(tmp_path, "bl: 5.0 Tm", "bl: 5.0 T")
    line = next(i for i, t in enumerate(path.read_text(encoding="utf-8").splitlines(), 1) if "bl: 5.0 T" in t)
    with pytest.raises(ef.DesignError, match=f"changed.yaml, line {line}"):
        ef.load_design(path)


def test_a_missing_file_names_its_neighbour():
    with pytest.raises(ef.DesignError, match=r"skiff\.yaml"):
        ef.load_design(EXAMPLES / "skif.yaml")


def test_a_cost_section_is_kept_and_said_to_be_unjudged(tmp_path):
    design = ef.load_design(changed(tmp_path, "mounting: free", "mounting: free\ncost: {box: 1}"))
    assert design.unjudged() == ("cost",)
