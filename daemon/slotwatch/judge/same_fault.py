"""Whether an account describes the fault of an incident that is known, or another one."""

from __future__ import annotations

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.catalog import begins_at_a_moment
from slotwatch.judge.drafts import IncidentDraft, IncidentRecord
from slotwatch.judge.likeness import GONE

SURELY_ANOTHER_NS = 12 * NANOSECONDS
"""Longest window of any rule, 10 s, and some slack: what opened earlier than this before a fault began is not part of
it."""


def was_group_of(entry: IncidentRecord, account: IncidentDraft) -> bool:
    """Whether an open incident is this very group under another rule (absent sources, then a lost universe)."""
    return entry.slot[1] == account.group and account.group.startswith("loss:")


def is_same(entry: IncidentRecord | None, account: IncidentDraft) -> bool:
    """Whether both are about the same things, by the same rule."""
    if entry is None or entry.incident.rule != account.rule:
        return False
    before = entry.incident
    if before.universes or account.universes:
        return bool(set(before.universes) & set(account.universes))
    if before.sources or account.sources:
        return entry.slot[1] == account.group or set(before.sources) == set(account.sources)
    return account.group in (entry.slot[1], before.group)


def is_resumed(entry: IncidentRecord | None, account: IncidentDraft) -> bool:
    """Whether an incident of before a restart is found again in this account."""
    if entry is None or not set(entry.incident.universes) & set(account.universes):
        return is_same(entry, account)
    return entry.incident.rule == account.rule or {entry.incident.rule, account.rule} <= GONE


def may_be_part(part: IncidentRecord, account: IncidentDraft, *, is_back: bool = False) -> bool:
    """Whether an open incident may turn out to be this fault: one that opened before it began is another."""
    if is_followed_by(part, account, is_back=is_back):
        return False
    if part.incident.rule == account.rule:
        return True
    slack_ns = 0 if begins_at_a_moment(account.rule) else SURELY_ANOTHER_NS
    return part.incident.opened_ns >= (account.since_ns or account.began_ns) - slack_ns


def is_followed_by(entry: IncidentRecord, account: IncidentDraft, *, is_back: bool = False) -> bool:
    """Whether all of an incident was back, and an account is of another fault, which is not acknowledged.

    is_back: whether it is back in this very pass.
    """
    if account.returned_ns is not None:
        return False
    before = entry if is_back or entry.incident.returned_ns is not None else entry.over
    return before is not None and is_another(before, account)


def is_another(before: IncidentRecord, account: IncidentDraft) -> bool:
    """Whether what returns is another fault than this was: by a cause that it never had, or of other sources."""
    was = before.incident
    names, keys = set(was.sources) & set(account.sources), set(was.source_keys) & set(account.source_keys)
    of_others = bool(was.sources and account.sources) and not names and not keys
    return of_others or not (account.repeats or before.may_have_cause(account.cause))
