"""Writes the draft of a cluster's incident: severity, summary, evidence, what still works, what to look at next."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import Phase
from slotwatch.judge import elsewhere, phases, wording
from slotwatch.judge.binding import Finding
from slotwatch.judge.catalog import FLAPPING
from slotwatch.judge.cluster import Cluster, names_of, rows_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.drafts import NO_OUTAGE, IncidentDraft, Outage
from slotwatch.judge.explain import Effect
from slotwatch.judge.fed_routes import say_fed
from slotwatch.judge.likeness import ABSENT
from slotwatch.judge.numbering_mistakes import say_where_heard
from slotwatch.judge.raised import Raised
from slotwatch.judge.returns import how_often, lasting, say_returned, when_returned_ns
from slotwatch.judge.rule import LOOK_AT_STAGE, LOOK_WHO_FOLLOWS, RuleClass, quiet_phase
from slotwatch.judge.still_working import HELD
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import IncidentLeg, LegState, Severity
from slotwatch.wire.universe import Protocol

MOST_EVIDENCE = 10
MOST_CHECKS = 6
MOST_SPANS = 3
"""Times without levels that are said one by one …"""
ONE_NS = NANOSECONDS
"""… and how close the beginnings and the ends of one such time are."""
MAY_HAVE_MOVED = frozenset({"universe-lost", "universe-missing", "source-absent", "backup-absent"})
OTHER_NUMBER = "the source sends the same levels under another number now"
MOST_LEGS = 24
"""Sources of an incident whose networks are listed: a flood of invented senders has thousands."""


class _Filled(dict[str, object]):
    """What a sentence is filled with.

    A rule's placeholders are checked when its module is loaded. One that is missing later is left out.
    """

    def __missing__(self, key: str) -> str:
        return ""


@dataclass(frozen=True, slots=True)
class About:
    """What a cluster is about, worked out once for all that is said of it: it may have thousands of cases."""

    universes: list[int]
    """Rows of all universes that it affected, also of those that are back."""
    sources: set[int]
    """Rows of every source."""
    speaker: Finding
    """The case that gives the sentence."""
    began_ns: int

    @classmethod
    def of(cls, ctx: RuleContext, cluster: Cluster) -> About:
        return cls(cluster.universes(), cluster.source_rows(ctx), cluster.speaker, cluster.began_ns)


@dataclass(frozen=True, slots=True)
class Said:
    """The sentence of a cluster's incident, and what it was made from."""

    about: About
    summary: str
    summary_of_it: str
    """The same sentence about all of these universes, as it read while the fault lasted."""
    moved: str
    """Where a lost universe is heard instead; may be empty."""
    returned_ns: int | None
    returns: int
    flapping: bool
    is_steady: bool


def say(ctx: RuleContext, cluster: Cluster) -> Said:
    """Put a cluster into one sentence."""
    about = About.of(ctx, cluster)
    universes = about.universes
    returns, flapping, is_steady = how_often(ctx, cluster.cases)
    returned_ns = when_returned_ns(ctx, cluster.cases)
    now, verdict = lasting(cluster, universes), cluster.verdict
    # The record is of all that it took down, and of nothing that came after or worked only then.
    is_apart = now != universes or (verdict and (verdict.since_then or verdict.as_found or verdict.still_working))
    summary = summary_of_it = _summarise(ctx, cluster, about, universes, is_record=bool(is_apart))
    if returned_ns is not None:
        summary = say_returned(ctx, cluster, universes, returned_ns, summary_of_it)
    elif is_apart:
        summary = _summarise(ctx, cluster, about, now)
    if flapping:
        summary = FLAPPING.sentence.format(summary=summary, flaps=returns + 1)
    moved = _say_moved(ctx, cluster, universes)
    if moved and returned_ns is None:
        summary, summary_of_it = f"{summary} {moved}", f"{summary_of_it} {moved}"
    return Said(about, summary, summary_of_it, moved, returned_ns, returns, flapping, is_steady)


def draft_incident(ctx: RuleContext, cluster: Cluster, at: datetime) -> IncidentDraft:
    """Put a cluster into words."""
    said, verdict = say(ctx, cluster), cluster.verdict
    about, moved, returned_ns = said.about, said.moved, said.returned_ns
    universes, speaker = about.universes, about.speaker
    # A cause that several sources share is not explained by what one source's own case supposes.
    own = None if cluster.group.startswith("network:") else speaker
    worst_first = sorted(cluster.cases, key=lambda case: -case.finding.weight)
    evidence = [moved, *(verdict.evidence if verdict else ()), *_each(case.finding.evidence for case in worst_first)]
    heard = elsewhere.heard_elsewhere(ctx.listener.elsewhere, ctx, universes)
    if cluster.rule.rule_class is RuleClass.LOSS and cluster.rule.name != "lost-between":
        # Where another source carries on, what is heard of the universe there is no sign of the one that stopped.
        all_lost = not np.count_nonzero(ctx.universes.live[universes])
        is_gone = Effect.SILENCE in cluster.rule.effects
        evidence[1:1] = [
            *(elsewhere.sentences(heard) if all_lost else ()),
            *(say_fed(ctx, lasting(cluster, universes)) if is_gone else ()),
        ]
    return IncidentDraft(
        rule=cluster.rule.name,
        group=cluster.group,
        severity=severity_of(ctx, cluster, ctx.phase, at),
        cause=verdict.cause if verdict else speaker.cause,
        confidence=verdict.confidence if verdict else speaker.confidence,
        began_ns=about.began_ns,
        since_ns=cluster.since_ns,
        universes=tuple(ctx.universe_name(row) for row in universes),
        sources=tuple(sorted(names_of(ctx, cluster.findings(), about.sources))),
        source_keys=tuple(sorted(cluster.source_keys(ctx, about.sources))),
        fixtures=tuple(sorted({name for case in cluster.cases for name in case.finding.fixtures})),
        summary=said.summary,
        evidence=_few(evidence, MOST_EVIDENCE),
        explains=_explained(ctx, cluster),
        also_possible=_few(
            [
                *([OTHER_NUMBER] if moved else ()),
                *(verdict.also_possible if verdict else ()),
                *(own.also_possible if own else ()),
            ],
            MOST_CHECKS,
        ),
        still_working=_few([*(verdict.still_working if verdict else ()), *speaker.still_working], MOST_CHECKS),
        next_checks=_checks(ctx, cluster, about) if returned_ns is None or (verdict and verdict.repeats) else (),
        labels=tuple(
            (ctx.universe_name(row), label)
            for row, label in zip(universes, ctx.labels(universes), strict=True)
            if label
        ),
        returned_ns=returned_ns,
        summary_of_it=said.summary_of_it,
        weight=speaker.weight,
        repeats=verdict is not None and verdict.repeats,
        accepted=cluster.accepted.reason if cluster.accepted else "",
        accepted_until=cluster.accepted.until if cluster.accepted else "",
        accepted_by=cluster.accepted.by if cluster.accepted else "",
        returns=said.returns,
        flapping=said.flapping,
        is_steady=said.is_steady,
        heard_elsewhere=heard,
        legs=_legs(ctx, about),
        controlled_by=_controlled_by(ctx, cluster),
        paces_hz=cluster.paces_hz(ctx),
        outage=_say_outage(ctx, cluster),
        held_ns=max(ctx.at_ns if case.holds else case.last_true_ns for case in cluster.cases),
        absorbs=tuple(
            dict.fromkeys((case.rule.name, case.finding.group) for case in (*cluster.cases, *cluster.explained))
        ),
    )


def _say_outage(ctx: RuleContext, cluster: Cluster) -> Outage:
    """Say when no levels came on universes of which the loss has become an absence."""
    lost = [case for case in cluster.explained if case.rule.name == "universe-lost"]
    back_ns = when_returned_ns(ctx, lost) if lost and cluster.rule.name in ABSENT else None
    if back_ns is None:
        return NO_OUTAGE
    spans = [(case.finding.since_ns, when_returned_ns(ctx, [case]) or back_ns, case) for case in lost]
    together: list[tuple[int, int, set[int]]] = []
    for since_ns, until_ns, case in sorted(spans, key=lambda span: span[0]):
        like = (
            one for one in together[: MOST_SPANS + 1] if since_ns - one[0] < ONE_NS and abs(until_ns - one[1]) < ONE_NS
        )
        span = next(like, None)
        if span is None:
            together.append((since_ns, until_ns, set(case.finding.universes)))
        else:
            span[2].update(case.finding.universes)
    if len(together) <= MOST_SPANS:
        return back_ns, f"No levels came on {', and on '.join(_say_span(ctx, *span) for span in together)}."
    where = ctx.name_universes(sorted({row for case in lost for row in case.finding.universes}))
    lengths = sorted(until_ns - since_ns for since_ns, until_ns, _ in together)
    long = " to ".join(dict.fromkeys(wording.seconds(span_ns) for span_ns in (lengths[0], lengths[-1])))
    return back_ns, (
        f"Between {ctx.time_of_day(together[0][0])} and {ctx.time_of_day(back_ns)} no levels came on {where}, "
        f"on each of them for {long}."
    )


def _say_span(ctx: RuleContext, since_ns: int, until_ns: int, rows: Iterable[int]) -> str:
    times = f"from {ctx.time_of_day(since_ns)} to {ctx.time_of_day(until_ns)}"
    return f"{ctx.name_universes(sorted(rows))} {times}, for {wording.seconds(until_ns - since_ns)}"


def _controlled_by(ctx: RuleContext, cluster: Cluster) -> tuple[tuple[str, str], ...]:
    """Say who controls universes now that others should. What the cluster is about counts before what it explains."""
    now = (case.finding for case in (*cluster.explained, *cluster.cases) if case.holds)
    found = {row: one.controlled_by for one in now if one.controlled_by for row in one.universes}
    return tuple((ctx.universe_name(row), found[row]) for row in sorted(found))


def _legs(ctx: RuleContext, about: About) -> tuple[IncidentLeg, ...]:
    """Say on which networks the sources of a fault were heard, and whether they send anything there now."""
    found: dict[tuple[str, str], LegState] = {}
    for source in sorted(ctx.whole_sources(about.sources))[:MOST_LEGS]:
        for leg in sorted({source, *ctx.other_legs(source)}):
            rows = ctx.streams_from(leg)
            if not len(rows):
                continue
            state: LegState = "live"
            if not np.count_nonzero(ctx.live[rows]):
                goes_on = ~ctx.announced[rows] & (ctx.streams.last_arrival_ns[rows] > 0)
                state = "silent" if np.count_nonzero(goes_on) else "terminated"
            key = ctx.source_name(source), ctx.network_name(ctx.sources[leg].network)
            # A source may have had several addresses on one network.
            found[key] = "live" if "live" in (state, found.get(key)) else state
    return tuple(IncidentLeg(name, network, state) for (name, network), state in found.items())


def _say_senders(ctx: RuleContext, rows: list[int]) -> list[str]:
    """Name sources; those of a crowd, who are invented, in one word beside others."""
    if ctx.crowd.since_ns:
        strange = ctx.strangers_since(ctx.crowd.since_ns)
        own = [row for row in rows if not strange[row]]
        if 0 < len(own) < len(rows):
            return [*ctx.say_sources(own), "senders that came in a crowd"]
    return ctx.say_sources(rows)


def _say_moved(ctx: RuleContext, cluster: Cluster, universes: list[int]) -> str:
    """Say where a universe that is lost, missing or kept by another source is heard instead; empty if nowhere."""
    if cluster.rule.name not in MAY_HAVE_MOVED or cluster.cause == "wrong-network":
        return ""  # the cause itself says where
    return say_where_heard(ctx, universes)


def severity_of(ctx: RuleContext, cluster: Cluster, phase: Phase, at: datetime) -> Severity:
    """Give the severity that a cluster has in a phase: that of its most severe case. at: the wall-clock time."""
    if cluster.accepted or phases.quiet_window(ctx.house, cluster.rule, at) is not None:
        return Severity.NOTE
    kinds = {(case.rule.name, case.finding.lower, _is_quiet(ctx, case)): case for case in cluster.cases}
    return max(_severity_of_case(ctx, case, phase) for case in kinds.values())


def _is_quiet(ctx: RuleContext, case: Raised) -> bool:
    held_ns = ctx.now_ns if case.holds else case.last_true_ns
    return held_ns < case.finding.quiet_until_ns


def _severity_of_case(ctx: RuleContext, case: Raised, phase: Phase) -> Severity:
    if _is_quiet(ctx, case):
        return Severity.NOTE
    return phases.grade(case.rule, phases.lowered(case.rule.severity, case.finding.lower), phase)


def _summarise(
    ctx: RuleContext, cluster: Cluster, about: About, universes: list[int], *, is_record: bool = False
) -> str:
    speaker, verdict = about.speaker, cluster.verdict
    cases, rows = cluster.cases, about.sources
    if len(universes) < len(about.universes):
        cases = [case for case in cases if not case.over]
        rows = rows_of(ctx, [case.finding for case in cases])
    # What puts frames on a tapped line has no name.
    sources = _say_senders(ctx, [row for row in rows if ctx.sources[row].protocol != Protocol.LINE])
    sources += [f'"{name}"' for name in sorted({name for case in cases for name in case.finding.source_names})]
    works = [line for line in verdict.still_working if not line.endswith(HELD)] if verdict and not is_record else []
    facts = _Filled(cluster.rule.numbers())
    facts |= {
        "universes": _universes(ctx, cluster, universes),
        "sources": wording.list_names(sources) or "a source",
        "from_sender": f" from {wording.list_names(sources)}" if sources else "",
        "since": f"{ctx.time_of_day(about.began_ns)}",
        "verdict": _verdict(verdict, is_record=is_record) if verdict else "",
        "worst": _worst(ctx, speaker, universes),
        "worst_of": _worst_of(cluster),
        "works": f"Still working: {works[0]}." if works else "",
    }
    own = speaker.facts.words()
    facts.update(own)
    if verdict and own.get("verdict") and cluster.group.startswith("network:"):
        facts["verdict"] = _verdict(verdict, is_record=is_record)
    verdict_text = _without_names(cluster.rule.sentence, facts, wording.list_names(sources), len(sources) == 1)
    facts["verdict"] = verdict_text + _say_silent_beside(ctx, cluster, about)
    sentence = " ".join(cluster.rule.sentence.format_map(facts).split())
    if verdict:
        sentence = _joined(sentence, wording.list_names(source.partition(" (")[0] for source in sources))
    return sentence[:1].upper() + sentence[1:] if sentence.startswith("fixture ") else sentence


def _say_silent_beside(ctx: RuleContext, cluster: Cluster, about: About) -> str:
    """Say where else sources of this loss are silent, while others send there."""
    own = set(about.universes)
    absent = [
        case
        for case in cluster.explained
        if case.rule.name in ABSENT and case.holds and not own.issuperset(case.finding.universes)
    ]
    if not absent or cluster.rule.name not in ("universe-lost", "source-absent"):
        return ""
    findings = [case.finding for case in absent]
    names = [f'"{name}"' for name in sorted(names_of(ctx, findings))]
    where = ctx.name_universes(sorted({row for finding in findings for row in finding.universes} - own))
    return f" {wording.list_names(names)} {'is' if len(names) == 1 else 'are'} silent on {where} too."


def _verdict(verdict: Verdict, *, is_record: bool) -> str:
    if is_record:
        return verdict.as_found or verdict.sentence
    return f"{verdict.sentence} {verdict.since_then}" if verdict.since_then else verdict.sentence


def _worst(ctx: RuleContext, speaker: Finding, universes: list[int]) -> str:
    """Say which universe a sentence's figures belong to, where it names several."""
    if len(universes) < 2 or len(speaker.universes) != 1:
        return ""
    return f" on {ctx.universe_name(speaker.universes[0])}, the worst of them"


def _worst_of(cluster: Cluster) -> str:
    """Say how many cases there are, where a sentence's figures are those of one."""
    is_over = all(case.over for case in cluster.cases)
    count = sum(is_over or not case.over for case in cluster.cases)
    return f", the worst of {cluster.rule.short.many.format(n=f'{count:,}')}" if count > 1 else ""


def _without_names(sentence: str, facts: _Filled, names: str, is_one: bool) -> str:
    """Give the verdict. A pronoun replaces the name that it begins with if the sentence has just used it."""
    verdict = str(facts["verdict"])
    if not names or not verdict.startswith(f"{names} "):
        return verdict
    before = sentence.partition("{verdict}")[0].format_map(facts)
    if before.count(names) != 1 or '"' in before.replace(names, ""):
        return verdict  # "it" could be another source
    return f"{'It' if is_one else 'They'} {verdict[len(names) + 1 :]}"


def _joined(sentence: str, names: str) -> str:
    """Join a verdict that begins with the very names of the sentence before it: `… since 20:41. "Desk A": lead …`."""
    before, again, after = sentence.partition(f". {names}: ")
    is_joined = names and again and before.count(names) == 1 and ":" not in after.partition(".")[0]
    return f"{before}: {after}" if is_joined else sentence


def _universes(ctx: RuleContext, cluster: Cluster, rows: list[int]) -> str:
    if not rows:
        return "No universe"
    at_start = cluster.rule.sentence.startswith("{universes}")
    return ctx.say_universes(rows) if at_start else ctx.name_universes(rows)


def _explained(ctx: RuleContext, cluster: Cluster) -> tuple[tuple[str, tuple[str, ...]], ...]:
    by_rule: dict[str, set[int]] = {}
    for case in cluster.explained:
        by_rule.setdefault(case.rule.name, set()).update(case.finding.universes)
    return tuple(
        (rule, tuple(ctx.universe_name(row) for row in sorted(rows))) for rule, rows in sorted(by_rule.items())
    )


def _checks(ctx: RuleContext, cluster: Cluster, about: About) -> tuple[str, ...]:
    own = [*(cluster.verdict.next_checks if cluster.verdict else ()), *about.speaker.next_checks]
    if cluster.rule.name in ABSENT and (ctx.universes.live[about.universes] > 0).all():
        own = [LOOK_WHO_FOLLOWS if check == LOOK_AT_STAGE else check for check in own]
    checks = [*own, *(cluster.rule.next_checks if len(own) < 2 else ())]
    cause = cluster.verdict.cause if cluster.verdict else ""
    if quiet_phase(ctx.phase) and cause not in cluster.rule.touch_nothing_for:
        checks = [*checks[: MOST_CHECKS - len(cluster.rule.next_checks_quiet)], *cluster.rule.next_checks_quiet]
    return _few(checks, MOST_CHECKS)


def _each(several: Iterable[Iterable[str]]) -> list[str]:
    return [text for texts in several for text in texts]


def _few(texts: Iterable[str], most: int) -> tuple[str, ...]:
    every = list(dict.fromkeys(text for text in texts if text))
    if len(every) <= most:
        return tuple(every)
    return (*every[: most - 1], f"… and {len(every) - most + 1} more.")
