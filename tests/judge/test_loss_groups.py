"""A group of losses that grows one by one says the same as one that looks at all of its members."""

from __future__ import annotations

from copy import deepcopy
from types import SimpleNamespace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from slotwatch.judge.losses import LossGroup

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
