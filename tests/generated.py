"""Writes everything that is generated: `python -m tests.generated`, or `make docs`.

Each file has a test that fails while it is out of date.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from slotwatch.rehearse.table import markdown
from tests import reference, rule_names, shapes
from tests.rehearse import table
from tests.views import test_metrics

ROOT = Path(__file__).parent.parent
GENERATED: dict[Path, Callable[[], str]] = {
    reference.DOCS / "house-file.md": reference.house_file,
    reference.DOCS / "rules.md": reference.rules,
    table.FILE: markdown,
    ROOT / "daemon" / "slotwatch" / "house" / "rule_names.py": rule_names.for_house,
    ROOT / "web" / "rulesets.js": rule_names.for_page,
    test_metrics.GOLDEN: test_metrics.golden,
}


def main() -> None:
    for path, make in GENERATED.items():
        text = make()
        changed = not path.exists() or path.read_text(encoding="utf-8") != text
        path.write_text(text, encoding="utf-8")
        print(f"{'written' if changed else 'current'}  {path.relative_to(ROOT)}")
    shapes.write()


if __name__ == "__main__":
    main()
