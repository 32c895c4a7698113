"""Spans of time by number, found through the moments that they touch, without a search."""

from __future__ import annotations

from slotwatch.durations import NANOSECONDS

BUCKET_NS = 2 * NANOSECONDS
"""A span of a loss is some tenths of a second to eight seconds long."""


class Spans:
    """Numbers with spans. A span that is noted again under its number counts in addition. Times are nanoseconds."""

    def __init__(self, slack_ns: int) -> None:
        """slack_ns: how far apart two spans may be and still be found as near."""
        self._slack_ns = slack_ns
        self._buckets: dict[int, set[int]] = {}

    def note(self, number: int, a_ns: int, b_ns: int) -> None:
        """Note a span between two moments, in either order."""
        for bucket in self._touched(a_ns, b_ns):
            self._buckets.setdefault(bucket, set()).add(number)

    def near(self, a_ns: int, b_ns: int) -> list[int]:
        """Give every number whose span is near this one, and a few whose spans are not. They ascend."""
        found: set[int] = set()
        for bucket in self._touched(a_ns, b_ns):
            found |= self._buckets.get(bucket, set())
        return sorted(found)

    def _touched(self, a_ns: int, b_ns: int) -> range:
        low_ns, high_ns = min(a_ns, b_ns) - self._slack_ns, max(a_ns, b_ns) + self._slack_ns
        return range(low_ns // BUCKET_NS, high_ns // BUCKET_NS + 1)
