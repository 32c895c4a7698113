"""Since when a fault is over, and the sentence of an incident that is over and still being watched."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from slotwatch.durations import NEVER_NS
from slotwatch.judge import wording
from slotwatch.judge.likeness import ABSENT, GONE
from slotwatch.judge.visitors import Visitors
from slotwatch.snapshot import Incident

if TYPE_CHECKING:
    from slotwatch.judge.cluster import Cluster
    from slotwatch.judge.context import RuleContext
    from slotwatch.judge.raised import Raised

WATCHED = ", being watched"
"""In every sentence of what is over and watched, and in no other."""
UNTIL_THEN = ". Until then: "
"""Between that it is over and what was said while it lasted."""
MANY = 16
"""From this many cases on, arrays are faster. A whole house that comes back has thousands."""


def when_returned_ns(ctx: RuleContext, cases: Sequence[Raised]) -> int | None:
    """Return when the last of these cases was over on the wire, or None while one of them holds or is not back."""
    if not all(case.over for case in cases):
        return None
    if len(cases) >= MANY and all(case.rule.name in GONE for case in cases):
        return _all_back_ns(ctx, cases)
    ended_ns = [_ended_ns(ctx, case) for case in cases]
    return None if None in ended_ns else max(at_ns for at_ns in ended_ns if at_ns is not None)


def _ended_ns(ctx: RuleContext, case: Raised) -> int | None:
    """When a stream of it came back, where it is a loss (None: none did); else when its condition was last true.

    What counts over a window holds until that is empty: it ended with the last thing that it counted.
    """
    finding = case.finding
    if case.rule.name in GONE:
        rows = [row for universe in finding.universes for row in ctx.streams_of(universe).tolist()]
        return _back_ns(ctx, rows, case)
    if case.rule.name in ABSENT:
        names = set(finding.source_names) | {ctx.source_name(ctx.source_of(row)) for row in finding.streams}
        rows = [
            row
            for universe in finding.universes
            for row in ctx.streams_of(universe).tolist()
            if ctx.source_name(ctx.source_of(row)) in names
        ]
        return _back_ns(ctx, rows, case)
    ended_ns = min(case.last_true_ns, finding.last_ns or case.last_true_ns)
    rows = list(finding.streams)
    if rows and not ctx.live[rows].any():
        # What a source did until it fell silent ended with its last packet, not when it counts as lost.
        streams = ctx.streams
        newest_ns = streams.last_preview_ns if case.rule.name == "preview-only" else streams.last_arrival_ns
        ended_ns = min(ended_ns, int(newest_ns[rows].max()))
    return max(finding.since_ns, ended_ns)


def _back_ns(ctx: RuleContext, rows: Sequence[int], case: Raised) -> int | None:
    visitors = Visitors(ctx)
    since = [int(ctx.streams.since_ns[row]) for row in rows if ctx.live[row] and visitors.visit(row) is None]
    came = [int(ctx.streams.last_arrival_ns[row]) > case.finding.since_ns for row in rows]
    if not since and not any(came):
        return None  # it is no longer expected: an undeclared universe that is forgotten, or a changed house file
    later = [since_ns for since_ns in since if since_ns > case.finding.since_ns]
    if later and case.was_mixed_up:
        # While the networks were swapped, its own lead was back on the other one.
        before = [visitors.came_over_ns(row) for row in rows if ctx.live[row]]
        later += [at_ns for at_ns in before if at_ns > case.finding.since_ns]
    return min(later) if later else case.last_true_ns


def _all_back_ns(ctx: RuleContext, cases: Sequence[Raised]) -> int | None:
    """When the last of many losses was over: `_back_ns` of each, in array form; None where one is not back."""
    since_ns = np.array([case.finding.since_ns for case in cases])
    universes = [universe for case in cases for universe in case.finding.universes]
    rows, counts = ctx.streams_of_each(np.array(universes, np.int64))
    case_of = np.repeat(np.arange(len(cases)), [len(case.finding.universes) for case in cases])
    at = np.repeat(case_of, counts)
    live, began_ns = ctx.live[rows], ctx.streams.since_ns[rows]
    heard = np.zeros(len(cases), np.bool_)
    heard[at[live | (ctx.streams.last_arrival_ns[rows] > since_ns[at])]] = True
    if not heard.all():
        return None
    back_ns = np.full(len(cases), NEVER_NS)
    later = live & (began_ns > since_ns[at])
    np.minimum.at(back_ns, at[later], began_ns[later])
    last_ns = np.array([case.last_true_ns for case in cases])
    return int(np.where(back_ns < NEVER_NS, back_ns, last_ns).max())


def how_often(ctx: RuleContext, cases: Sequence[Raised]) -> tuple[int, bool, bool]:
    """Say how often cases returned, whether they come and go, and whether a source stays away beside others that do.

    What is back beside something that is not may come and go: the sentence is about the other.
    """
    away = [case for case in cases if not case.over] or cases
    going = [case for case in away if case.is_flapping(ctx.now_ns)]
    of_going = ctx.sources_of([stream for case in going for stream in case.finding.streams])
    is_steady = (bool(going) or len(away) < len(cases)) and any(
        len(case.edges) == 1 and case.finding.streams and of_going.isdisjoint(ctx.sources_of(case.finding.streams))
        for case in away
    )
    # While one stays away, the others' returns are not those of all.
    returns = min if is_steady else max
    return returns(len(case.edges) for case in away) - 1, bool(going) and not is_steady, is_steady


def lasting(cluster: Cluster, universes: list[int]) -> list[int]:
    """Give the universes of which a fault still lasts; all of them once it is over on all."""
    now = {row for case in cluster.cases if not case.over for row in case.finding.universes}
    return [row for row in universes if row in now] or universes


def say_returned(ctx: RuleContext, cluster: Cluster, universes: list[int], returned_ns: int, summary_of_it: str) -> str:
    """Say that it is back and watched, and how long it lasted. summary_of_it: what was said while it lasted."""
    lasted = wording.seconds(max(0, returned_ns - cluster.began_ns))
    since = ctx.time_of_day(returned_ns)
    if cluster.rule.name in GONE:
        gone = "lost" if cluster.rule.name == "universe-lost" else "missing"
        return f"{ctx.say_universes(universes)} back since {since}{WATCHED}: {gone} for {lasted}."
    by_name = {name for case in cluster.cases for name in case.finding.source_names}
    names = wording.list_names([*ctx.say_sources(cluster.source_rows(ctx)), *(f'"{name}"' for name in sorted(by_name))])
    if cluster.rule.name in ABSENT and names:
        return f"{names} back on {ctx.name_universes(universes)} since {since}{WATCHED}: silent for {lasted}."
    if cluster.rule.tells_a_moment:
        return summary_of_it
    return f"Over since {since}{WATCHED}{UNTIL_THEN}{summary_of_it}"


def say_back(ctx: RuleContext, incident: Incident, sources: Sequence[str], returned_ns: int, *, is_bound: bool) -> str:
    """Say of an incident of before a restart that it is back. is_bound: it may have come back earlier than that."""
    at_latest, at_most = (" at the latest", " at most") if is_bound else ("", "")
    lasted = wording.seconds(max(0, returned_ns - incident.began_ns)) + at_most
    since = ctx.time_of_day(returned_ns) + at_latest
    labels = dict(incident.labels)
    universes = wording.list_universes(incident.universes, [labels.get(name, "") for name in incident.universes])
    if incident.rule in GONE:
        gone = "lost" if incident.rule == "universe-lost" else "missing"
        return f"{universes} back since {since}{WATCHED}: {gone} for {lasted}."
    on = universes[0].lower() + universes[1:]
    return f"{wording.list_names(sources)} back on {on} since {since}{WATCHED}: silent for {lasted}."
