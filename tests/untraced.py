"""Which tests run without coverage tracing: tracing doubles what they cost, and others run all of their lines too.

`python -m tests.untraced` measures all quick tests with coverage, and writes the list: twenty minutes on two cores. A
test that is not in the list is traced. If a listed test becomes the only one that runs some lines, coverage is
reported as lower than it is, never as higher: then write the list again.
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from pathlib import Path
from xml.etree import ElementTree

from tests.conftest import QUICK_ONLY

FILE = Path(__file__).with_suffix(".txt")
ONE_BY_ONE = ("tests/rehearse/test_truths.py", "tests/judge/test_every_rule.py")
"""Of these files each value of a test is listed by itself, of others whole functions."""
WORTH_S = 1.0
"""A test that takes less with tracing is traced."""

Arc = tuple[int, int, int]
"""Number of a file, from a line, to a line."""


def untraced(arcs: dict[str, set[Arc]], seconds: dict[str, float]) -> list[str]:
    """Return tests that run no arc alone, given that the longer ones among them are left out."""
    count = Counter(arc for found in arcs.values() for arc in found)
    listed = []
    for test in sorted(arcs, key=lambda one: (-seconds[one], one)):
        if seconds[test] >= WORTH_S and all(count[arc] > 1 for arc in arcs[test]):
            count.subtract(arcs[test])
            listed.append(test)
    return sorted(listed)


def entry(test: str) -> str:
    """How a test is listed."""
    return test if test.startswith(ONE_BY_ONE) else test.partition("[")[0]


def measured(data: Path, times: Path) -> tuple[dict[str, set[Arc]], dict[str, float]]:
    """Arcs and seconds of each entry, from a coverage file with contexts and a JUnit file."""
    arcs: dict[str, set[Arc]] = defaultdict(set)
    seconds: dict[str, float] = defaultdict(float)
    with sqlite3.connect(data) as base:
        rows = base.execute("SELECT context, file_id, fromno, tono FROM arc JOIN context ON context.id = context_id")
        for context, *arc in rows:
            test, _, _ = context.rpartition("|")  # the rest is "setup", "run" or "teardown"
            arcs[entry(test)].add((arc[0], arc[1], arc[2]))
    for case in ElementTree.parse(times).iter("testcase"):
        test = f"{case.get('classname', '').replace('.', '/')}.py::{case.get('name')}"
        seconds[entry(test)] += float(case.get("time", 0))
    return arcs, seconds


def main() -> None:
    with tempfile.TemporaryDirectory() as made:
        data, times = Path(made) / "coverage", Path(made) / "times.xml"
        FILE.write_text("", encoding="utf-8")
        words = ["-n", "auto", "-m", QUICK_ONLY, "--cov", "--cov-context=test", "--cov-report=", f"--junitxml={times}"]
        environment = {**os.environ, "COVERAGE_FILE": str(data)}
        subprocess.run([sys.executable, "-m", "pytest", *words], check=True, env=environment)
        write(*measured(data, times))


def write(arcs: dict[str, set[Arc]], seconds: dict[str, float]) -> None:
    FILE.write_text("".join(f"{test}\n" for test in untraced(arcs, seconds)), encoding="utf-8")


if __name__ == "__main__":
    main()
