"""What an earlier judgement left open: after a restart it is looked at again, by what is heard now."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import explain
from slotwatch.judge.before import RESUME_GRACE_NS
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.drafts import IncidentRecord
from slotwatch.judge.homes import are_as_before, group_of
from slotwatch.judge.likeness import GONE, LOSSES
from slotwatch.judge.returns import WATCHED, say_back
from slotwatch.judge.rule import Rule
from slotwatch.judge.wording import list_names
from slotwatch.snapshot import Incident

if TYPE_CHECKING:
    from slotwatch.judge.context import RuleContext

UNCERTAIN_NS = 3 * NANOSECONDS
"""A stream heard this soon after the start may have come back before it (keep-alive of Art-Net: 4 s)."""
RETURNED = "It returned: "
"""Begins what a timeline says of a fault that is there again."""
_WORKS = " Still working: "
_DOUBTS = {"networks-swapped": " Whether they still are is not known since this listener restarted."}
"""What is added after a restart to a rule that knows its fault only by what was heard before it."""
_DESCRIBED = ("opened", "revised", "widened", "returned")
_BEFORE_THAT = " Before that: "


def moved(incident: Incident, wall_offset_ns: int) -> Incident:
    """Copy an incident onto the clock of this judgement."""
    shift_ns = incident.wall_offset_ns - wall_offset_ns
    return replace(
        incident,
        began_ns=incident.began_ns + shift_ns,
        opened_ns=incident.opened_ns + shift_ns,
        closed_ns=None if incident.closed_ns is None else incident.closed_ns + shift_ns,
        returned_ns=None if incident.returned_ns is None else incident.returned_ns + shift_ns,
        timeline=tuple(replace(entry, t_ns=entry.t_ns + shift_ns) for entry in incident.timeline),
        wall_offset_ns=wall_offset_ns,
    )


def as_left(incidents: Iterable[Incident], wall_offset_ns: int) -> list[Incident]:
    """Give incidents that an earlier judgement left open as they were then, on the clock of this one."""
    known = [one for one in incidents if one.rule in CATALOG and one.closed_ns is None]
    return [record_of(moved(one, wall_offset_ns)).incident for one in known]


def put_together(found: Incident, earlier: Incident) -> None:
    """Let what this judgement found be the incident that an earlier one left."""
    found.id, found.opened_ns = earlier.id, earlier.opened_ns
    found.began_ns = min(found.began_ns, earlier.began_ns)
    found.acknowledged, found.flaps = earlier.acknowledged, max(found.flaps, earlier.flaps)
    found.timeline = (*earlier.timeline, *found.timeline[1:])
    found.outage = found.outage or earlier.outage
    found.settled_as = earlier.settled_as
    if {found.known_as, earlier.known_as} <= GONE:
        found.known_as = earlier.known_as
    found.revision = max(found.revision, earlier.revision)


def record_of(incident: Incident) -> IncidentRecord:
    """Make the record of an incident, already on this clock, with what its timeline still knows."""
    entry = IncidentRecord(incident, (incident.rule, f"resumed:{incident.id}"), incident.flaps)
    entry.is_resumed = True
    entry.openings.extend(one.t_ns for one in incident.timeline if one.what in ("opened", "returned"))
    # How it read while it lasted, not once it was back.
    told = [one.text.removeprefix(RETURNED) for one in incident.timeline if one.what in _DESCRIBED]
    described = [text for text in told if WATCHED not in text]
    summary = incident.summary if incident.returned_ns is None else described[-1] if described else ""
    entry.while_it_lasted = summary.rpartition(_BEFORE_THAT)[2].partition(_WORKS)[0]
    entry.evidence_of_it = tuple(line for line in incident.evidence if line != incident.outage)
    entry.checks_of_it = incident.next_checks
    if incident.closed_ns is None:
        entry.earlier_began_ns = incident.began_ns
        # What worked was true when the incident opened. Whether it still works is judged again.
        incident.still_working = ()
        if incident.returned_ns is None:
            incident.summary = f"{entry.while_it_lasted}{_DOUBTS.get(incident.rule, '')}"
    return entry


def is_known_over(ctx: RuleContext, incident: Incident) -> bool:
    """Whether networks that were swapped before a restart are right again: each of their sources is on its own."""
    if incident.rule != "networks-swapped":
        return False
    pairs = combinations(range(len(ctx.house.networks)), 2)
    return any(group_of(ctx, pair) == incident.group and are_as_before(ctx, pair) for pair in pairs)


def given_ns(incident: Incident) -> int:
    """How long an incident of before a restart is kept unless it is found again."""
    return RESUME_GRACE_NS + round(CATALOG[incident.rule].found_again_s * NANOSECONDS)


def heard_again_ns(ctx: RuleContext, incident: Incident) -> int | None:
    """When all that a loss is about was heard again; None while some of it is silent, and for other rules."""
    if incident.rule not in LOSSES or not incident.universes:
        return None
    rows = {ctx.universe_name(row): row for row in ctx.universes.used.nonzero()[0].tolist()}
    awaited = _awaited_sources(ctx, incident)
    found = 0
    for name in incident.universes:
        streams = _live(ctx, rows[name]) if name in rows else []
        since: dict[str, int] = {}
        for row in streams:
            source = ctx.source_name(ctx.source_of(row))
            since[source] = min(since.get(source, ctx.now_ns), int(ctx.streams.since_ns[row]))
        if incident.rule in GONE:
            back = min(since.values(), default=None)
        else:
            declared = ctx.declared_universe(rows[name]) if name in rows else None
            due = awaited & set(declared.sources) if declared and declared.sources else awaited
            back = max(since[source] for source in due) if due and due <= since.keys() else None
        if back is None:
            return None
        found = max(found, back)
    return found


def say_part_back(ctx: RuleContext, incident: Incident, while_it_lasted: str) -> str:
    """Put a loss into words of which some universes were heard since the restart, and others were not yet."""
    back = _part_back(ctx, incident)
    if not back:
        return while_it_lasted
    heard = ctx.name_universes(sorted(back))
    return f"Heard again since this listener restarted: {heard}, but not the others.{_BEFORE_THAT}{while_it_lasted}"


def checks_of_part_back(ctx: RuleContext, incident: Incident, checks: tuple[str, ...]) -> tuple[str, ...]:
    """Give its checks, or one that is of use where its sources are heard on some of its universes since the restart."""
    heard = {ctx.source_name(ctx.source_of(row)) for each in _part_back(ctx, incident) for row in _live(ctx, each)}
    names = [f'"{name}"' for name in incident.sources if name in heard]
    return (f"Look at the output list of {list_names(names)}: is everything on?",) if names else checks


def _part_back(ctx: RuleContext, incident: Incident) -> list[int]:
    """Rows of its universes that are live."""
    rows = {ctx.universe_name(row): row for row in ctx.universes.live.nonzero()[0].tolist()}
    return [rows[name] for name in incident.universes if name in rows]


def _live(ctx: RuleContext, universe: int) -> list[int]:
    """Rows of a universe's live streams."""
    return [row for row in ctx.streams_of(universe).tolist() if ctx.live[row]]


def _awaited_sources(ctx: RuleContext, incident: Incident) -> set[str]:
    """Names of the absent sources of an incident, which may also name those that it was once part of."""
    roles = {source.name: source.role for source in ctx.house.sources}
    role = "backup" if incident.rule == "backup-absent" else "main"
    return {name for name in incident.sources if roles.get(name, role) == role}


def summary_of_return(ctx: RuleContext, incident: Incident) -> str:
    """Say that it is back and watched. What was heard at the start may have come back earlier."""
    returned_ns = incident.returned_ns or ctx.now_ns
    is_bound = 0 <= returned_ns - ctx.started_ns < UNCERTAIN_NS
    sources = [f'"{name}"' for name in sorted(_awaited_sources(ctx, incident))]
    return say_back(ctx, incident, sources, returned_ns, is_bound=is_bound)


def is_awaited(ctx: RuleContext, incident: Incident) -> bool:
    """Whether an absence lasts that no rule finds again: its source is declared and silent, its universes are alive."""
    if incident.rule in GONE or incident.rule not in LOSSES or incident.returned_ns is not None:
        return False
    declared = {source.name for source in ctx.house.sources}
    if not set(incident.sources) & declared:
        return False
    live = {ctx.universe_name(row) for row in ctx.universes.live.nonzero()[0].tolist()}
    return bool(set(incident.universes) & live)


def may_explain(incident: Incident, rule: Rule, cause: str, universes: Iterable[str], sources: Iterable[str]) -> bool:
    """Whether what is found beside an incident from before a restart is explained by it, as it would have been."""
    wide = CATALOG[incident.rule]
    names, who = set(universes), set(sources)
    if wide is rule or {wide.name, rule.name} <= GONE or incident.returned_ns is not None or not names:
        return False
    covered_by = {known for known, covered in incident.explains if names <= set(covered)}
    if rule.name in covered_by or (rule.name in GONE and covered_by & GONE):
        return True
    on_universes, of_sources = names <= set(incident.universes), bool(who & set(incident.sources))
    of_sources &= _networks(names) <= _networks(incident.universes)
    near = {
        explain.ELSEWHERE: _numbers(names) <= _numbers(incident.universes),
        explain.UNIVERSE: on_universes,
        explain.NETWORK: on_universes,
        explain.SOURCE: of_sources,
        explain.STREAM: on_universes and of_sources,
    }
    return any(
        near.get(reach.nearness, False)
        and reach.covers(rule.name, rule.effects)
        and (not reach.causes or incident.cause in reach.causes)
        and (not reach.only or cause in reach.only)
        for reach in wide.explains.reaches
    )


def _numbers(names: Iterable[str]) -> set[str]:
    """Protocols and numbers of universes, without their networks."""
    return {name.partition("@")[0] for name in names}


def _networks(names: Iterable[str]) -> set[str]:
    """Networks of universes; "" where the house has one."""
    return {name.partition("@")[2] for name in names}
