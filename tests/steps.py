"""What a part of a test costs, counted: the same on a computer that is busy with other work.

How long it takes is measured in `benchmarks/`.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

import slotwatch

OURS = str(Path(slotwatch.__file__).parent)


@dataclass
class Steps:
    """Lines of slotwatch that ran. Each turn of a loop counts; what compiled code does within a line does not."""

    count: int = 0


@contextmanager
def steps() -> Iterator[Steps]:
    found = Steps()

    def enter(frame: FrameType, event: str, argument: Any) -> Any:
        return step if frame.f_code.co_filename.startswith(OURS) else None

    def step(frame: FrameType, event: str, argument: Any) -> Any:
        found.count += event == "line"
        return step

    before = sys.gettrace()
    sys.settrace(enter)
    try:
        yield found
    finally:
        sys.settrace(before)


@contextmanager
def built_in_calls() -> Iterator[Counter[str]]:
    """Compiled functions and methods that slotwatch called, by their names."""
    found: Counter[str] = Counter()

    def note(frame: FrameType, event: str, argument: Any) -> None:
        if event == "c_call" and frame.f_code.co_filename.startswith(OURS):
            found[argument.__name__] += 1

    before = sys.getprofile()
    sys.setprofile(note)
    try:
        yield found
    finally:
        sys.setprofile(before)
