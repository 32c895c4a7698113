"""Whether a draft describes the fault of an incident that is known, or another one."""

from __future__ import annotations

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.catalog import begins_at_a_moment
from slotwatch.judge.drafts import IncidentDraft, IncidentRecord
from slotwatch.judge.likeness import GONE

SURELY_ANOTHER_NS = 12 * NANOSECONDS
"""Longest window of any rule, 10 s, and some slack: what opened earlier than this before a fault began is not part of
it."""


def was_group_of(entry: IncidentRecord, draft: IncidentDraft) -> bool:
    """Whether an open incident is this very group under another rule (absent sources, then a lost universe)."""
    return entry.slot[1] == draft.group and draft.group.startswith("loss:")


def is_same(entry: IncidentRecord | None, draft: IncidentDraft) -> bool:
    """Whether both are about the same things, by the same rule."""
    if entry is None or entry.incident.rule != draft.rule:
        return False
    before = entry.incident
    if before.universes or draft.universes:
        return bool(set(before.universes) & set(draft.universes))
    if before.sources or draft.sources:
        return entry.slot[1] == draft.group or set(before.sources) == set(draft.sources)
    return draft.group in (entry.slot[1], before.group)


def is_resumed(entry: IncidentRecord | None, draft: IncidentDraft) -> bool:
    """Whether an incident of before a restart is found again in this draft."""
    if entry is None or not set(entry.incident.universes) & set(draft.universes):
        return is_same(entry, draft)
    return entry.incident.rule == draft.rule or {entry.incident.rule, draft.rule} <= GONE


def is_found_within(entry: IncidentRecord, draft: IncidentDraft) -> bool:
    """Whether all of an incident of before a restart is found again in this draft, which may be of another one."""
    before = entry.incident
    is_all = set(before.universes) <= set(draft.universes) and set(before.sources) <= set(draft.sources)
    return before.rule == draft.rule and bool(before.universes) and is_all


def may_be_part(part: IncidentRecord, draft: IncidentDraft, *, is_back: bool = False) -> bool:
    """Whether an open incident may turn out to be this fault: one that opened before it began is another."""
    if is_followed_by(part, draft, is_back=is_back):
        return False
    if part.incident.rule == draft.rule:
        return True
    slack_ns = 0 if begins_at_a_moment(draft.rule) else SURELY_ANOTHER_NS
    return part.incident.opened_ns >= (draft.since_ns or draft.began_ns) - slack_ns


def is_followed_by(entry: IncidentRecord, draft: IncidentDraft, *, is_back: bool = False) -> bool:
    """Whether all of an incident was back, and a draft is of another fault, which is not acknowledged.

    is_back: whether it is back in this very pass.
    """
    if draft.returned_ns is not None:
        return False
    before = entry if is_back or entry.incident.returned_ns is not None else entry.over
    return before is not None and is_another(before, draft)


def is_another(before: IncidentRecord, draft: IncidentDraft) -> bool:
    """Whether what returns is another fault than this was: by a cause that it never had, or of other sources."""
    was = before.incident
    names, keys = set(was.sources) & set(draft.sources), set(was.source_keys) & set(draft.source_keys)
    of_others = bool(was.sources and draft.sources) and not names and not keys
    return of_others or not (draft.repeats or before.may_have_cause(draft.cause))
