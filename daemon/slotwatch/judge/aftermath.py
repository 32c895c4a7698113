"""Brings an older verdict up to date: some of its sources are back, and what it rests on may have stopped since."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.context import RuleContext
from slotwatch.judge.loss_group import LossGroup
from slotwatch.judge.rule import LOOK_AT_OWN_LEADS
from slotwatch.judge.verdict import AND_ALSO, Verdict

BACK_FIRST = "It stopped together with other sources, which came back first."
"""The verdict on what is still away, where the one before spoke of a source that is back."""
HEARD_LATELY_NS = 12 * NANOSECONDS
"""A discovery list comes every 10 s (ANSI E1.31-2018 4.3); with some slack."""


@dataclass(slots=True)
class _Worded:
    """The parts of a verdict that may read differently now."""

    sentence: str
    evidence: list[str]
    checks: list[str]
    as_found: str = ""
    since_then: list[str] = field(default_factory=list)


def bring_up_to_date(ctx: RuleContext, group: LossGroup, verdict: Verdict) -> Verdict:
    """Give a verdict as it reads now. The cause stays; what still works and which sources are back may change."""
    reading = _Worded(verdict.sentence, verdict.evidence, verdict.next_checks)
    is_visited = any(case.is_visited for case in group.members.values())
    if not is_visited and _has_gone_silent(ctx, verdict):
        reading.as_found = verdict.sentence
        reading.sentence, now, then = verdict.once_silent
        reading.evidence = [then if line == now else line for line in verdict.evidence]
    _say_who_is_back(ctx, group, verdict, reading)
    _say_what_is_not_known(ctx, group, _heard_again(ctx, group, verdict) if is_visited else [], reading)
    if reading.sentence == verdict.sentence and not reading.since_then:
        return verdict
    return replace(
        verdict,
        sentence=reading.sentence,
        as_found=reading.as_found,
        evidence=reading.evidence,
        next_checks=reading.checks,
        since_then=" ".join(reading.since_then),
    )


def _say_who_is_back(ctx: RuleContext, group: LossGroup, verdict: Verdict, reading: _Worded) -> None:
    """Say which sources are back while others are away, and drop the checks for those that are back."""
    back, partly, away = _back(ctx, group, " ".join((reading.sentence, *reading.evidence)))
    if verdict.cause != "source-lost" and not verdict.once_back:
        partly = []  # what is said is true of a source that runs, and some of it was never away
    is_of_others = _speaks_of_none_away(ctx, group, verdict)
    if not back and not partly and not is_of_others:
        return
    if verdict.once_back:
        reading.sentence, reading.as_found = verdict.once_back, ""
    elif is_of_others:
        # What to look at was about those who are back: the rule's own checks are left.
        reading.sentence, reading.checks = verdict.of_others or BACK_FIRST, []
    if back:
        reading.since_then.append(f"{wording.list_names(back)} {_are(back)} back.")
        over = {check for check, names in verdict.checks_of if names <= set(back)}
        reading.checks = [check for check in reading.checks if check not in over]
        whole, reading.sentence = reading.sentence, _without_those(reading.sentence, verdict, back)
        if verdict.parts and reading.sentence != verdict.sentence:
            reading.as_found = reading.as_found or verdict.sentence
        if reading.sentence != whole:
            reading.checks = [check for check in reading.checks if not any(name in check for name in back)]
            reading.checks.append("Look at the switch port that each such lead goes to.")
    if partly:
        reading.since_then.append(f"{wording.list_names(partly)} {_are(partly)} back in part.")
        reading.checks = [f"Look at the output list of {wording.list_names(partly)}: is everything on?"]
    if verdict.once_back and away:
        reading.since_then.append(f"{wording.list_names(away)} {_are(away)} still silent.")
        reading.checks = [f"Look at {wording.list_names(away)}: power, screen, link lamp."]


def _say_what_is_not_known(ctx: RuleContext, group: LossGroup, again: list[str], reading: _Worded) -> None:
    """Say why it is not known whether the loss lasts. again: names of lost sources that are heard on some network."""
    if again:
        reading.checks = [*LOOK_AT_OWN_LEADS]
    is_mixed_up = any(case.is_mixed_up for case in group.members.values())
    networks = {network for case in group.members.values() for network in case.finding.networks}
    if networks and all(ctx.listener.is_blind(network, ctx.now_ns) for network in networks):
        reading.since_then.append("Whether it lasts is not known: this listener hears nothing there now.")
    elif is_mixed_up and not again:
        reading.since_then.append("Whether it lasts is not known: this listener's own networks are swapped.")
    elif again:
        why = "this listener's own networks are swapped" if is_mixed_up else "leads may have been swapped"
        reading.since_then.append(
            f"{wording.list_names(again)} {_are(again)} heard again; on which network is not known: {why}."
        )


def _without_those(sentence: str, verdict: Verdict, back: list[str]) -> str:
    """Leave out the parts of a sentence that are about sources which are all back, unless that leaves none."""
    over = [part for part, names in verdict.parts if names <= set(back)]
    if len(over) == len(verdict.parts):
        return sentence
    for part in over:
        sentence = sentence.replace(f"{part}{AND_ALSO}", "").replace(f"{AND_ALSO}{part}", "")
    return sentence


def _heard_again(ctx: RuleContext, group: LossGroup, verdict: Verdict) -> list[str]:
    """Names of those that went completely silent, if all of them are heard again, on whichever network."""
    if verdict.cause != "source-lost":
        return []
    sources = ctx.whole_sources(ctx.sources_of(_rows(group, holding=True)))
    legs = {source: (source, *ctx.other_legs(source)) for source in sources}
    if not all(any(ctx.live[ctx.streams_from(leg)].any() for leg in mine) for mine in legs.values()):
        return []
    return list(dict.fromkeys(f'"{ctx.source_name(source)}"' for source in sources))


def _speaks_of_none_away(ctx: RuleContext, group: LossGroup, verdict: Verdict) -> bool:
    """Whether some of a group are still away, and a verdict is about none of them."""
    away = {ctx.first_leg(source) for source in ctx.sources_of(_rows(group, holding=True))}
    about = {ctx.first_leg(source) for source in verdict.speaks_of}
    return bool(about) and bool(away) and about.isdisjoint(away)


def _rows(group: LossGroup, *, holding: bool) -> set[int]:
    """Streams of the cases of a group that hold, or hold no longer."""
    return {row for case in group.members.values() if case.holds == holding for row in case.finding.streams}


def _are(names: list[str]) -> str:
    return "is" if len(names) == 1 else "are"


def _has_gone_silent(ctx: RuleContext, verdict: Verdict) -> bool:
    """Whether nothing of what a verdict rests on is heard any more."""
    streams = verdict.rests_on_streams
    if not verdict.rests_on and not streams:
        return False
    goes_on = any(ctx.live[row] or ctx.listener.is_blind(int(ctx.streams.network[row]), ctx.now_ns) for row in streams)
    return not goes_on and not any(_is_heard(ctx, source) for source in verdict.rests_on)


def _is_heard(ctx: RuleContext, source: int) -> bool:
    row, mine = ctx.sources[source], ctx.streams_from(source)
    if ctx.listener.is_blind(row.network, ctx.now_ns) or ctx.live[mine].any():
        return True  # what happens on a network that this listener cannot hear is not known
    # Where its data ended, only later packets show that it still sends.
    ended_ns = int(ctx.streams.last_arrival_ns[mine].max()) if len(mine) else 0
    return row.last_seen_ns > ended_ns + NANOSECONDS and ctx.at_ns - row.last_seen_ns < HEARD_LATELY_NS


def _back(ctx: RuleContext, group: LossGroup, text: str) -> tuple[list[str], list[str], list[str]]:
    """Names of sources of the group that a verdict names: all back while others are away, back in part, and away."""
    lasting, ended = _rows(group, holding=True), _rows(group, holding=False)
    if not lasting or not ended:
        return [], [], []
    away = {ctx.first_leg(source) for source in ctx.sources_of(lasting)}
    back = [
        source for source in ctx.sources_of(row for row in ended if ctx.live[row]) if ctx.first_leg(source) not in away
    ]
    # Who is heard by another lead is back in part.
    returned = {ctx.first_leg(source) for source in ctx.sources_of(row for row in ended if ctx.live[row])}
    partly = [source for source in ctx.sources_of(lasting) if ctx.first_leg(source) in returned]
    heard = {ctx.first_leg(source) for source in ctx.sources_of(ctx.live.nonzero()[0].tolist())}
    silent = [source for source in ctx.sources_of(lasting | ended) if ctx.first_leg(source) not in heard]
    return _named(ctx, back, text), _named(ctx, partly, text), _named(ctx, silent, text)


def _named(ctx: RuleContext, sources: list[int], text: str) -> list[str]:
    names = dict.fromkeys(f'"{ctx.source_name(source)}"' for source in ctx.whole_sources(sources))
    return [name for name in names if name in text]
