"""Whether something opens so often in so short a time that it is one thing that comes and goes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from slotwatch.durations import ns_from_s
from slotwatch.judge.rule import RuleParameters, number


@dataclass(frozen=True, slots=True)
class FlappingParameters(RuleParameters):
    off_delay_s: float = number(60.0, "time without a return before a case that flaps is over")
    openings: int = number(4, "openings that make it flapping")
    window_s: float = number(120.0, "time in which openings are counted")
    quiet_s: float = number(60.0, "time without a return that ends it")
    reopen_s: float = number(60.0, "time within which what returns is the same incident")


FLAPPING = FlappingParameters()
OPENINGS = FLAPPING.openings
WINDOW_NS = ns_from_s(FLAPPING.window_s)
QUIET_NS = ns_from_s(FLAPPING.quiet_s)
REOPEN_NS = ns_from_s(FLAPPING.reopen_s)
OFF_NS = ns_from_s(FLAPPING.off_delay_s)


def opens_often(opened_ns: Sequence[int]) -> bool:
    """Whether the newest openings lie within the window. Times are monotonic nanoseconds, oldest first."""
    return len(opened_ns) >= OPENINGS and opened_ns[-1] - opened_ns[-OPENINGS] <= WINDOW_NS
