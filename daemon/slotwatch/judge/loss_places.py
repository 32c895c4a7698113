"""Finds the groups of losses that stopped together, by the moments that their spans touch, without a search."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.loss_group import LossGroup
from slotwatch.judge.stops import SLACK_NS

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


class Places:
    """The groups of one pass, found by when they stopped; those that announced it or never came by their sources."""

    def __init__(self, groups: Iterable[LossGroup], sources_of: Callable[[LossGroup], set[str]]) -> None:
        self._groups: dict[int, LossGroup] = {}
        self._spans = Spans(SLACK_NS)
        self._noted: dict[int, tuple[int, int]] = {}
        """The span of each silent group that was noted last: thousands that join one in a pass rarely move it."""
        self._by_source: dict[tuple[str, str], set[int]] = {}
        for group in groups:
            self.take(group, sources_of(group) if group.kind != "silent" else set())

    def take(self, group: LossGroup, sources: set[str]) -> None:
        """Note a group, also one that changed. sources: names of those that joined it."""
        self._groups[group.id] = group
        if group.kind == "silent":
            span = group.from_ns, group.to_ns
            if self._noted.get(group.id) != span:
                self._noted[group.id] = span
                self._spans.note(group.id, *span)
            return
        for name in sources:
            self._by_source.setdefault((group.kind, name), set()).add(group.id)

    def find(self, kind: str, from_ns: int, to_ns: int, sources: set[str]) -> LossGroup | None:
        """Give the group of a kind that stopped in the same moment; of several the newest.

        Of several silent ones it is the nearest to the last frame: at rest Art-Net sends nothing for seconds.
        """
        if kind == "silent":
            # Of one group alone it is as quickly asked whether it overlaps as whether it is near.
            near = list(self._noted) if len(self._noted) < 2 else self._spans.near(from_ns, to_ns)
            slack_ns = SLACK_NS
        else:
            of_sources = (self._by_source.get((kind, name), set()) for name in sources)
            near, slack_ns = sorted(set().union(*of_sources)), NANOSECONDS
        found = (self._groups[id] for id in reversed(near))
        overlapping = (group for group in found if group.overlaps(from_ns, to_ns, slack_ns))
        if kind != "silent":
            return next(overlapping, None)
        return min(overlapping, key=lambda group: abs(group.from_ns - from_ns), default=None)


def fold_together(groups: Iterable[LossGroup], fold: Callable[[LossGroup, LossGroup], object]) -> None:
    """Make one of groups that stopped together after all, once what kept them apart has left them.

    groups: by ascending id. fold: takes the second of two into the first, which has the lower id.
    """
    silent = {group.id: group for group in groups if group.kind == "silent" and not group.spread_ns}
    spans = Spans(SLACK_NS)
    for group in silent.values():
        spans.note(group.id, group.from_ns, group.to_ns)
    for id in list(silent):
        if id in silent:
            _fold_into(silent[id], silent, spans, fold)


def _fold_into(
    one: LossGroup, silent: dict[int, LossGroup], spans: Spans, fold: Callable[[LossGroup, LossGroup], object]
) -> None:
    """Fold every later group into this one that stopped together with it."""
    near, looked = spans.near(one.from_ns, one.to_ns), (one.from_ns, one.to_ns)
    place = bisect_right(near, one.id)
    while place < len(near):
        id = near[place]
        place += 1
        other = silent.get(id)
        if other is None or id in one.apart_from or not one.overlaps(other.from_ns, other.to_ns, SLACK_NS):
            continue
        fold(one, other)
        del silent[id]
        if min(one.from_ns, one.to_ns) < min(looked) or max(one.from_ns, one.to_ns) > max(looked):
            near, looked = spans.near(one.from_ns, one.to_ns), (one.from_ns, one.to_ns)
            place = bisect_right(near, id)
