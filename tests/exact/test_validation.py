"""The validation page's checks hold, and the page shows them all."""

from pathlib import Path

import pytest
from validation_checks import CHECKS

PAGE = Path(__file__).parents[2] / "docs" / "validation.md"


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c.name)
def test_check(check):
    for module in check.needs:
        pytest.importorskip(module)
    published, ours = check.compute()
    assert abs(ours - published) <= check.allowed


def test_page_is_made_from_these_checks():
    text = PAGE.read_text(encoding="utf-8")
    for check in CHECKS:
        assert f"| {check.name} |" in text
