"""Write the validation page from the checks that the tests run. Run: python docs/make_validation.py"""

from __future__ import annotations

import sys
from pathlib import Path

DOCS = Path(__file__).parent
sys.path.insert(0, str(DOCS.parent / "tests" / "exact"))

from validation_checks import CHECKS  # noqa: E402

HEAD = """# Validation

What evenfield finds beside what is published or can be derived. Made from the checks in `tests/exact/validation_checks.py` by
`docs/make_validation.py`; the tests hold the same checks to the error allowed here. Many more stand in `tests/exact`,
`tests/reference`, `tests/property` and `tests/convergence`, each with its source. The lines on printing need the extra `[solid]`;
`python -m benchmarks printing` measures all three examples, the STEP solids' volumes included.

| check | source | published | ours | error | allowed |
| --- | --- | --- | --- | --- | --- |
"""


def main() -> None:
    """Run every check and write the page."""
    rows = []
    for check in CHECKS:
        published, ours = check.compute()
        unit = f" {check.unit}" if check.unit else ""
        cells = (f"{published:.6g}{unit}", f"{ours:.6g}{unit}", f"{ours - published:+.2g}", f"{check.allowed:g}")
        rows.append(f"| {check.name} | {check.source} | {' | '.join(cells)} |")
    (DOCS / "validation.md").write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
