"""What two states of an incident have in common, and how they differ, in words."""

from __future__ import annotations

from typing import TypeVar

from slotwatch.judge import wording
from slotwatch.snapshot import Incident, IncidentLeg

T = TypeVar("T")
GONE = frozenset({"universe-lost", "universe-missing"})
"""Losses of universes. What was lost before a restart is missing after it."""
ABSENT = frozenset({"source-absent", "backup-absent"})
"""Losses of sources on universes that others keep alive."""
LOSSES = GONE | ABSENT
OF_DATA = frozenset({"flooded-groups", "undeclared-universe"})
"""What is said of data that comes: a loss may account for it, and is another incident all the same."""


_OF_THE_DEAD = frozenset({"source-lost"})
"""Causes after which nothing of a source is heard."""
_BESIDE_LIFE = frozenset({"leg-lost", "path-or-sender", "universe-withdrawn", "wrong-network"})
"""Causes after which other universes or other leads of the source are still heard."""

LEAD_WORKS = frozenset({"stream-terminated", "universe-withdrawn", "identity-changed"})
"""Causes that the source's own packets show: they came by its lead."""


def may_still_be(cause: str, *, is_alive: bool) -> bool:
    """Whether a cause of before a restart fits what is heard now. is_alive: its source sends something."""
    return cause not in (_OF_THE_DEAD if is_alive else _BESIDE_LIFE)


def is_alike(earlier: Incident, found: Incident) -> bool:
    """Whether two judgements describe the same fault."""
    if earlier.rule != found.rule and not {earlier.rule, found.rule} <= GONE:
        return False
    if earlier.universes or found.universes:
        return bool(set(earlier.universes) & set(found.universes))
    if earlier.sources or found.sources:
        return set(earlier.sources) == set(found.sources)
    return not earlier.group or earlier.group == found.group


def joined(before: tuple[T, ...], now: tuple[T, ...]) -> tuple[T, ...]:
    """Give all of both, each once; what is `now` alone keeps its own order."""
    return now if set(before) <= set(now) else tuple(dict.fromkeys((*before, *now)))


def joined_universes(before: tuple[str, ...], now: tuple[str, ...]) -> tuple[str, ...]:
    """Give the names of both, in an order that does not say which came first. before: is in that order."""
    every = {*before, *now}
    return before if len(every) == len(before) else tuple(wording.in_order(every))


def with_silences(before: tuple[IncidentLeg, ...], now: tuple[IncidentLeg, ...]) -> tuple[IncidentLeg, ...]:
    """Give the present legs. Those that fell silent stay silent: the record shows the fault, not what came after."""
    held = {(one.source, one.network): one for one in before}
    found = {(one.source, one.network): one for one in now}
    fell = {key: one for key, one in held.items() if one.state != "live" or key not in found}
    return tuple((found | fell).values())


def _silent_beside(incident: Incident) -> set[str]:
    """Universes of which an incident accounts for a silent source, while others send there."""
    beside = {name for rule, universes in incident.explains if rule in ABSENT for name in universes}
    return beside - set(incident.universes)


def difference(before: Incident, after: Incident) -> tuple[str, str]:
    """Give the kind of the change and its sentence for the timeline; two empty texts where only numbers changed."""
    if before.rule != after.rule or (before.cause != after.cause):
        return "revised", after.summary
    if set(after.universes) - set(before.universes) or set(after.sources) - set(before.sources):
        return "widened", after.summary
    if _silent_beside(after) - _silent_beside(before) and after.returned_ns is None:
        return "widened", after.summary
    held = _taken_down(before)
    taken = [name for name in _taken_down(after) if name not in held]
    if taken and after.returned_ns is None:
        labels = dict(after.labels)
        universes = wording.list_universes(taken, [labels.get(name, "") for name in taken])
        return "widened", f"{after.summary} {universes} {'is' if len(taken) == 1 else 'are'} part of it too."
    if after.severity != before.severity:
        is_worse = after.severity > before.severity
        return ("worsened" if is_worse else "eased"), f"Now {after.severity.word} (was {before.severity.word})."
    if before.confidence != after.confidence:
        return "revised", f"Confidence {after.confidence} (was {before.confidence}): {after.summary}"
    return "", ""


def _taken_down(incident: Incident) -> dict[str, None]:
    """Universes that an incident is about, and those of losses that it accounts for, in their order."""
    accounted = (name for rule, universes in incident.explains if rule in LOSSES for name in universes)
    return dict.fromkeys((*incident.universes, *accounted))
