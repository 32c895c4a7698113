"""The only reader of clocks. Everything pure takes its time as an argument."""

from __future__ import annotations

import time


def monotonic_ns() -> int:
    """Nanoseconds of the monotonic clock: the time every judgement is made in."""
    return time.monotonic_ns()


def wall_ns() -> int:
    """Nanoseconds since 1970 UTC by the computer's wall clock: only for people to read."""
    return time.time_ns()


def wall_offset_ns() -> int:
    """Wall clock minus monotonic clock now, from the tightest of three readings."""
    best_width, best_offset = 1 << 62, 0
    for _ in range(3):
        before = time.monotonic_ns()
        wall = time.time_ns()
        after = time.monotonic_ns()
        if after - before < best_width:
            best_width, best_offset = after - before, wall - (before + after) // 2
    return best_offset
