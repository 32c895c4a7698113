"""Which tests run without coverage tracing: tracing doubles what they cost, and others run all of their lines too.

`python -m tests.untraced` measures all quick and seldom tests with coverage, and writes the list: twenty minutes on two
cores. It can be done in parts, at different times: `python -m tests.untraced 0 1` measures the first two of eight, and
what was measured is kept in `build/untraced` until the list is written. A test that is not in the list is traced. If a
listed test becomes the only one that runs some lines, coverage is reported as lower than it is, never as higher: then
write the list again.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections import Counter, defaultdict
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree

from tests.conftest import LEFT_OUT, TRACED

FILE = Path(__file__).with_suffix(".txt")
ONE_BY_ONE = ("tests/rehearse/test_truths.py", "tests/judge/test_every_rule.py")
"""Of these files each value of a test is listed by itself, of others whole functions."""
WORTH_S = 1.0
"""A test that takes less with tracing is traced."""

PARTS = 8
KEPT = FILE.parent.parent / "build" / "untraced"

Arc = tuple[str, int, int]
"""A file, from a line, to a line."""


def untraced(arcs: dict[str, set[Arc]], seconds: dict[str, float]) -> list[str]:
    """Return tests that run no arc alone, given that the longer ones among them are left out.

    Arcs of "" are run as modules are read, in no test's time.
    """
    count = Counter(arc for found in arcs.values() for arc in found)
    listed = []
    for test in sorted(arcs, key=lambda one: (-seconds.get(one, 0.0), one)):
        if seconds.get(test, 0.0) >= WORTH_S and all(count[arc] > 1 for arc in arcs[test]):
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
    with closing(sqlite3.connect(data)) as base, base:
        rows = base.execute(
            "SELECT context, path, fromno, tono FROM arc "
            "JOIN context ON context.id = context_id JOIN file ON file.id = file_id"
        )
        for context, *arc in rows:
            test, _, _ = context.rpartition("|")  # the rest is "setup", "run" or "teardown"
            arcs[entry(test)].add((arc[0], arc[1], arc[2]))
    for case in ElementTree.parse(times).iter("testcase"):
        test = f"{case.get('classname', '').replace('.', '/')}.py::{case.get('name')}"
        seconds[entry(test)] += float(case.get("time", 0))
    return arcs, seconds


def kept(part: int) -> tuple[Path, Path]:
    """Where the coverage of a part and its times are kept."""
    return KEPT / f"{part}.coverage", KEPT / f"{part}.xml"


def measure(part: int) -> None:
    """Run every eighth module with coverage, and keep what it says once all of it passed."""
    data, times = kept(part)
    KEPT.mkdir(parents=True, exist_ok=True)
    for left in KEPT.glob(f"{part}.*"):  # of a run that did not end
        left.unlink()
    files = sorted(
        str(one)
        for one in FILE.parent.rglob("test_*.py")
        if not str(one.relative_to(FILE.parent)).startswith(LEFT_OUT[TRACED])
    )
    words = ["-n", "auto", "-m", TRACED, "--cov", "--cov-context=test", "--cov-report=", "--cov-fail-under=0"]
    made = KEPT / "being-measured.xml"
    subprocess.run(
        [sys.executable, "-m", "pytest", *words, f"--junitxml={made}", *files[part::PARTS]],
        check=True,
        env={**os.environ, "COVERAGE_FILE": str(data)},
    )
    made.rename(times)


def main(words: list[str]) -> None:
    for part in [int(word) for word in words] or range(PARTS):
        if words or not kept(part)[1].exists():
            measure(part)
    if not words:
        write()


def write() -> None:
    """Write the list from all parts, which are not needed any more then."""
    arcs: dict[str, set[Arc]] = {}
    seconds: dict[str, float] = {}
    for part in range(PARTS):
        found, took = measured(*kept(part))
        arcs |= found | {"": arcs.get("", set()) | found.get("", set())}
        seconds |= took
    FILE.write_text("".join(f"{test}\n" for test in untraced(arcs, seconds)), encoding="utf-8")
    shutil.rmtree(KEPT)


if __name__ == "__main__":
    main(sys.argv[1:])
