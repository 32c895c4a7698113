"""E1.31 universes as a person writes them on a command line: `1-64`, `1,5,10-12`."""

from __future__ import annotations

import argparse

LAST = 63_999
"""ANSI E1.31-2018 6.2.7. Not imported from `wire`, to keep the supervising process small."""
MOST = 4096
"""Groups that may be asked for at once: more than any house has, and few enough for a switch to list."""


def universes(text: str) -> tuple[int, ...]:
    """Return the universes in order. ArgumentTypeError, in one sentence, for anything else."""
    found: set[int] = set()
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not _is_number(first) or (dash and not _is_number(last)):
            raise argparse.ArgumentTypeError(f"{text!r} is not a list of universes such as 1-64 or 1,5,10-12")
        begin, end = int(first), int(last or first)
        if not 1 <= begin <= end <= LAST:
            raise argparse.ArgumentTypeError(f"{part.strip()!r}: universes go from 1 to {LAST}, the lower one first")
        if end - begin >= MOST or len(found | set(range(begin, end + 1))) > MOST:
            raise argparse.ArgumentTypeError(f"{text!r} names more than {MOST} universes")
        found.update(range(begin, end + 1))
    return tuple(sorted(found))


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 5
