"""What two states of an incident have in common, and how they differ, in words."""

from __future__ import annotations

from typing import TypeVar

from slotwatch.snapshot import Incident, IncidentLeg

T = TypeVar("T")
GONE = frozenset({"universe-lost", "universe-missing"})
"""Losses of universes. What was lost before a restart is missing after it."""
ABSENT = frozenset({"source-absent", "backup-absent"})
"""Losses of sources on universes that others keep alive."""
LOSSES = GONE | ABSENT


_OF_THE_DEAD = frozenset({"source-lost"})
"""Causes that leave nothing of a source."""
_BESIDE_LIFE = frozenset({"leg-lost", "path-or-sender", "universe-withdrawn", "wrong-network"})
"""Causes that leave other universes or other leads of it."""


def may_still_be(cause: str, *, is_alive: bool) -> bool:
    """Whether a cause of before a restart fits what is heard now. is_alive: its source sends something."""
    return cause not in (_OF_THE_DEAD if is_alive else _BESIDE_LIFE)


def is_alike(earlier: Incident, found: Incident) -> bool:
    """Whether two judgements speak of one fault."""
    if earlier.rule != found.rule and not {earlier.rule, found.rule} <= GONE:
        return False
    if earlier.universes or found.universes:
        return bool(set(earlier.universes) & set(found.universes))
    if earlier.sources or found.sources:
        return set(earlier.sources) == set(found.sources)
    return not earlier.group or earlier.group == found.group


def joined(before: tuple[T, ...], now: tuple[T, ...]) -> tuple[T, ...]:
    return now if set(before) <= set(now) else tuple(dict.fromkeys((*before, *now)))


def with_silences(before: tuple[IncidentLeg, ...], now: tuple[IncidentLeg, ...]) -> tuple[IncidentLeg, ...]:
    """Give the legs of now, of which those that once fell silent stay so: the record is of the fault."""
    held = {(one.source, one.network): one for one in before}
    found = {(one.source, one.network): one for one in now}
    fell = {key: one for key, one in held.items() if one.state != "live" or key not in found}
    return tuple((found | fell).values())


def _silent_beside(incident: Incident) -> set[str]:
    """Universes of which an incident accounts for a silent source, while others send there."""
    beside = {name for rule, universes in incident.explains if rule in ABSENT for name in universes}
    return beside - set(incident.universes)


def difference(before: Incident, after: Incident) -> tuple[str, str]:
    """Say what kind of change this is to a person, and nothing where only numbers moved."""
    if before.rule != after.rule or (before.cause != after.cause):
        return "revised", after.summary
    if set(after.universes) - set(before.universes) or set(after.sources) - set(before.sources):
        return "widened", after.summary
    if _silent_beside(after) - _silent_beside(before) and after.returned_ns is None:
        return "widened", after.summary
    if after.severity != before.severity:
        is_worse = after.severity > before.severity
        return ("worsened" if is_worse else "eased"), f"Now {after.severity.word} (was {before.severity.word})."
    if before.confidence != after.confidence:
        return "revised", f"Confidence {after.confidence} (was {before.confidence}): {after.summary}"
    return "", ""
