"""A group of losses that grows member by member says the same as one that looks at all of its members."""

from __future__ import annotations

from copy import deepcopy
from types import SimpleNamespace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from slotwatch.judge.loss_group import LossGroup
from slotwatch.judge.loss_places import Places, fold_together
from slotwatch.judge.stops import SLACK_NS

members = st.lists(
    st.tuples(st.booleans(), st.integers(0, 50), st.integers(0, 50), st.lists(st.integers(0, 9), max_size=3)),
    min_size=1,
    max_size=12,
)


@given(members, st.integers(1, 12))
@settings(max_examples=200, deadline=None)
def test_joining_says_what_looking_at_all_members_says(
    added: list[tuple[bool, int, int, list[int]]], look: int
) -> None:
    """look: after how many members the group looked at all of them."""
    group = LossGroup(1, "silent", added[0][1], added[0][2])
    for place, (holds, from_ns, to_ns, streams) in enumerate(added):
        case: Any = SimpleNamespace(holds=holds, finding=SimpleNamespace(streams=tuple(streams)))
        group.join(("universe-lost", (place, 0)), case, (from_ns, to_ns))
        if place < look:
            group.follow_members()
        whole = deepcopy(group)
        whole.follow_members()
        assert (group.from_ns, group.to_ns, group.streams) == (whole.from_ns, whole.to_ns, whole.streams)


Drawn = list[tuple[int, int, int, list[int]]]
drawn = st.lists(
    st.tuples(
        st.integers(0, 40), st.integers(-3, 9), st.sampled_from([0, 0, 0, 1]), st.lists(st.integers(1, 24), max_size=2)
    ),
    max_size=24,
)
TENTH_NS = 100_000_000


def made_of(spans: Drawn) -> list[LossGroup]:
    """Groups whose spans begin at a tenth of a second and last so many more; some of them are apart from others."""
    groups = []
    for place, (from_, lasts, spread, apart) in enumerate(spans):
        group = LossGroup(place + 1, "silent", from_ * TENTH_NS, (from_ + lasts) * TENTH_NS)
        group.spread_ns, group.apart_from = spread, set(apart) - {group.id}
        groups.append(group)
    return groups


def folded(groups: list[LossGroup], *, by_pairs: bool) -> list[tuple[int, int]]:
    """Which groups were folded into which. A group that another joins takes over the newest frame, as in a pass."""
    left = {group.id: group for group in groups}
    pairs: list[tuple[int, int]] = []

    def fold(one: LossGroup, other: LossGroup) -> None:
        one.from_ns, one.to_ns = max(one.from_ns, other.from_ns), min(one.to_ns, other.to_ns)
        pairs.append((one.id, other.id))
        del left[other.id]

    if not by_pairs:
        fold_together(groups, fold)
        return pairs
    silent = [group for group in groups if not group.spread_ns]
    for place, one in enumerate(silent):
        for other in silent[place + 1 :]:
            may_be_one = {one.id, other.id} <= left.keys() and other.id not in one.apart_from
            if may_be_one and one.overlaps(other.from_ns, other.to_ns, SLACK_NS):
                fold(one, other)
    return pairs


@given(drawn)
@settings(max_examples=400, deadline=None)
def test_folding_by_moments_gives_what_comparing_every_pair_gives(spans: Drawn) -> None:
    assert folded(made_of(spans), by_pairs=False) == folded(made_of(spans), by_pairs=True)


@given(drawn, st.integers(0, 40), st.integers(-3, 9), st.integers(0, 3))
@settings(max_examples=400, deadline=None)
def test_a_loss_finds_the_group_that_stopped_with_it(spans: Drawn, from_: int, lasts: int, kind: int) -> None:
    """The nearest to its last frame. Of those that announced it, the newest, and only a group of one of its sources."""
    groups, kinds = made_of(spans), ("silent", "terminated", "never")
    named = {group.id: {f"Desk {(group.id * 7) % 3}"} for group in groups}
    for group, (*_, apart) in zip(groups, spans, strict=True):
        group.kind = kinds[len(apart) % 3]
    places = Places(groups[::2], lambda group: named[group.id])
    for group in groups[1::2]:
        places.take(group, named[group.id])
    wanted, sources = kinds[kind % 3], {f"Desk {kind}"}
    at = from_ * TENTH_NS, (from_ + lasts) * TENTH_NS
    alike = [
        (-abs(group.from_ns - at[0]) if wanted == "silent" else 0, group.id)
        for group in groups
        if group.kind == wanted
        and group.overlaps(*at, SLACK_NS if wanted == "silent" else 10 * TENTH_NS)
        and (wanted == "silent" or named[group.id] & sources)
    ]
    found = places.find(wanted, *at, sources)
    assert (found.id if found else None) == max(alike, default=(0, None))[1]
