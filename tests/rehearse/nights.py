"""Hold random nights against their truth: what became of each fault that was played, and of each incident."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

import msgspec

from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.nights import Expected, Night, any_night
from slotwatch.snapshot import Incident, Severity
from tests.rehearse.invariants import violations
from tests.rehearse.theatre import Performance, line_of, perform, seconds

SLACK_S = 1.0
FIRST_AWAY_S, LAST_AWAY_S = 12.0, 25.0
"""The listener is not restarted before it knows the show, nor so late that nothing follows."""
KNOWN_S = 14.0
"""So long after a restart what is due and does not come is missing (10 s), and each rule has its window."""
NOTES = frozenset({"level-stuck", "lights-left-on", "skewed-universes", "unlike-usual"})
"""Notes that count as incidents: each must be true as well."""
MOST_CONTRADICTIONS = 5
"""Of one night that are kept; the first tell enough."""
_TELLING = ("opened", "returned", "revised", "widened", "worsened")
"""Events with which an incident speaks of something new."""
ODD_WORDS = re.compile(
    r"\(s\)|(?<!/)\b1 (streams|universes|sources|slots|frames|gaps|packets|times|devices|groups)\b"
    r"|\b(\w+) \2\b|  |\.\.(?!\.)|\?\.|,\.|:\.|None|nan\b|\{|\}"
)
"""Plurals of one, words twice, placeholders and punctuation that nobody wrote."""


class FaultResult(msgspec.Struct, frozen=True):
    """One fault that had to be reported."""

    fault: str
    rule: str
    """The first of the rules that are right for it."""
    is_found: bool
    cause: str = ""
    """right | wrong | empty: not judged."""


class IncidentResult(msgspec.Struct, frozen=True):
    """One incident more severe than a note."""

    rule: str
    cause: str
    is_true: bool
    is_cause_right: bool | None
    """None: false, or no truth says what its cause must be."""


class NightResult(msgspec.Struct, frozen=True):
    """What became of one night."""

    seed: int
    title: str
    is_healthy: bool
    """No fault of it must be reported."""
    faults: tuple[FaultResult, ...]
    incidents: tuple[IncidentResult, ...]
    wrong: tuple[str, ...]
    """Each thing that was wrong, in words."""
    program: str = ""
    """Digest of the program that judged it."""


def play(seed: int, draw: Callable[[int], Night] = any_night) -> NightResult:
    """Play one night as `serve` would judge it: it is woken when it asks for it, or when packets bring a change."""
    night, found = draw(seed), list[str]()
    performance = perform(night.scenario, resting=True, look=lambda snapshot: found.extend(violations(snapshot)))
    return judge(night, performance, found)


def play_restarted(seed: int, draw: Callable[[int], Night] = any_night) -> NightResult:
    """Play one night in which the listener is restarted, at a moment that the seed draws."""
    night = draw(seed)
    away_s, found = away_of(night), list[str]()
    performance = perform(
        night.scenario, resting=True, restart_s=away_s, look=lambda snapshot: found.extend(violations(snapshot))
    )
    return judge(known_despite(night, away_s), performance, found)


def away_of(night: Night) -> tuple[float, float]:
    """Draw from when to when (s) the listener is away."""
    chance = Chance(night.seed * 7919 + 3)
    from_s = chance.between(FIRST_AWAY_S, max(night.scenario.seconds - LAST_AWAY_S, FIRST_AWAY_S + 1.0))
    return from_s, from_s + chance.between(1.0, 6.0)


def known_despite(night: Night, away_s: tuple[float, float]) -> Night:
    """What is true of a night in which the listener was away.

    What was due before, and what begins once it knows the show again, must be found. What lies between may be found,
    by any cause and as missing: when and how it began may be known to nobody.
    """
    from_s, back_s = away_s
    owed = list[Expected]()
    may_be = [*night.allowed, *(one for one in night.unknown if one.at_s < back_s)]
    for one in night.expected:
        if one.due_s + SLACK_S <= from_s or one.at_s >= back_s + KNOWN_S:
            owed.append(one)
        else:
            may_be.append(replace(one, causes=(), due_s=night.scenario.seconds, is_owed=False))
    title = f"{night.scenario.title}, the listener is away from {from_s:.1f} to {back_s:.1f} s"
    return replace(night, scenario=replace(night.scenario, title=title), expected=tuple(owed), allowed=tuple(may_be))


def judge(night: Night, performance: Performance, contradictions: Iterable[str] = ()) -> NightResult:
    """Hold one performance against its truth. contradictions: what did not agree while it was played."""
    wrong = list[str]()
    faults = tuple(_fault(one, night, performance, wrong) for one in night.expected)
    told = [each for each in performance.incidents if each.rule in NOTES]
    told += [each for each in performance.alarms() if each.rule not in NOTES]
    incidents = tuple(_incident(each, night, wrong) for each in told)
    wrong += [f"odd words: {text}" for text in dict.fromkeys(_texts(performance)) if ODD_WORDS.search(text)]
    wrong += [f"contradiction: {text}" for text in list(dict.fromkeys(contradictions))[:MOST_CONTRADICTIONS]]
    return NightResult(night.seed, night.scenario.title, not night.expected, faults, incidents, tuple(wrong))


def _fault(one: Expected, night: Night, performance: Performance, wrong: list[str]) -> FaultResult:
    told = list(_told(one, performance))
    timely = {each.id: each for t_s, each in told if _says(one, each) and t_s <= one.due_s + SLACK_S}
    rule = one.rules[0]
    if not timely:
        late = next((f" (late: {line_of(each)})" for _, each in told if _says(one, each)), "")
        wrong.append(f"missed: {one.fault}, due {one.due_s:.1f} s{late}")
        return FaultResult(one.fault, rule, is_found=False)
    # What is lost as a whole loses no single frames.
    ids = {each.id for _, each in told}
    last = [each for each in performance.incidents if each.id in ids]
    missing = set(one.universes) - {name for each in (*last, *(each for _, each in told)) for name in _named(each)}
    if missing:
        wrong.append(
            f"missed: {one.fault} without {', '.join(sorted(missing))}: {line_of(next(iter(timely.values())))}"
        )
        return FaultResult(one.fault, rule, is_found=False)
    if not one.causes:
        return FaultResult(one.fault, rule, is_found=True)
    others = [other for other in (*night.expected, *night.allowed) if other is not one]
    ends = [_before(one, each, others, told) for each in _in_the_end(one, performance, timely)]
    # What another fault of the night accounts for, on the same universe, says nothing of this one.
    causes = {each.cause for each in ends if not any(_accounts_for(other, each) for other in others)}
    if any(each.cause in one.causes for each in ends) and causes <= set(one.causes):
        return FaultResult(one.fault, rule, is_found=True, cause="right")
    causes = {each.cause for each in ends}
    first = next(iter(timely.values()))
    wrong.append(f"{one.fault}: cause {causes}, not {one.causes}: {first.summary}")
    return FaultResult(one.fault, rule, is_found=True, cause="wrong")


def _says(one: Expected, incident: Incident) -> bool:
    """Whether an incident is what a fault must be reported as, or accounts for it in these words on its universes."""
    if incident.rule in one.rules or one.causes:  # a wider incident has a cause of its own
        return incident.rule in one.rules
    return any(rule in one.rules and _plain(universes) & set(one.universes) for rule, universes in incident.explains)


def _told(one: Expected, performance: Performance) -> Iterator[tuple[float, Incident]]:
    """Give what was reported of a fault since it began, and when (s): each incident as it stood then.

    No event tells that an open incident explains it from now on; whoever looks sees that.
    """
    told = [(event.t_ns, event.incident) for event in performance.events if event.what in _TELLING]
    for t_ns, each in sorted([*told, *performance.explained], key=lambda pair: pair[0]):
        if each is None or (each.severity <= Severity.NOTE and not one.is_note) or seconds(t_ns) < one.at_s:
            continue
        if each.rule in (*one.rules, *one.also) and _shares_universes(each, one):
            yield seconds(t_ns), each


def _in_the_end(one: Expected, performance: Performance, timely: dict[int, Incident]) -> Iterator[Incident]:
    """Give each incident as it is at the end, or the wider one that it became part of: its cause counts."""
    last = {each.id: each for each in performance.incidents}
    for each in timely.values():
        end = last[each.id]
        while end.part_of:
            end = last[end.part_of]
        yield end if end.rule in one.rules else each


def _before(
    one: Expected, end: Incident, others: Iterable[Expected], told: Iterable[tuple[float, Incident]]
) -> Incident:
    """Give an incident as it was before a later fault took it over: what was back and is gone again stays one."""
    later_s = [other.at_s for other in others if other.at_s > one.at_s and _accounts_for(other, end)]
    before = [each for t_s, each in told if each.id == end.id and later_s and t_s < min(later_s)]
    return before[-1] if before else end


def _incident(incident: Incident, night: Night, wrong: list[str]) -> IncidentResult:
    true_of = [one for one in (*night.expected, *night.allowed) if _is_about(incident, one)]
    if not true_of:
        wrong.append(f"false: {line_of(incident)}: {incident.summary}")
    judged = [one.causes for one in true_of if incident.rule in one.rules]
    is_right: bool | None = any(incident.cause in causes for causes in judged)
    if not is_right and not (judged and all(judged)):
        is_right = None
    return IncidentResult(incident.rule, incident.cause, bool(true_of), is_right)


def _is_about(incident: Incident, one: Expected) -> bool:
    """Whether an incident spoke of a fault after it began: it opened then, or what was open returned or was changed."""
    times = [incident.opened_ns, *(entry.t_ns for entry in incident.timeline if entry.what in _TELLING)]
    return (
        incident.rule in (*one.rules, *one.also)
        and _shares_universes(incident, one)
        and any(seconds(t_ns) >= one.at_s for t_ns in times)
    )


def _accounts_for(one: Expected, incident: Incident) -> bool:
    return (
        incident.rule in one.rules and _is_about(incident, one) and incident.cause in (one.causes or (incident.cause,))
    )


def _shares_universes(incident: Incident, one: Expected) -> bool:
    return not one.universes or bool(_named(incident) & set(one.universes))


def _named(incident: Incident) -> set[str]:
    """Universes that it is about or accounts for."""
    return _plain(incident.universes).union(*(_plain(universes) for _, universes in incident.explains))


def _plain(universes: Iterable[str]) -> set[str]:
    """Universes with and without their networks: a truth may name either."""
    names = set(universes)
    return names | {name.partition("@")[0] for name in names}


def _texts(performance: Performance) -> Iterator[str]:
    yield from performance.summaries
    for each in performance.incidents:
        yield from (*each.evidence, *each.also_possible, *each.still_working, *each.next_checks)
