"""Write docs/faults.md from the catalogue: `python -m tests.rehearse.table`."""

from __future__ import annotations

from pathlib import Path

from slotwatch.rehearse.table import markdown

FILE = Path(__file__).parent.parent.parent / "docs" / "faults.md"

if __name__ == "__main__":
    FILE.parent.mkdir(exist_ok=True)
    FILE.write_text(markdown(), encoding="utf-8")
