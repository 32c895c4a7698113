"""What the book keeps of one incident: the account that is given of it now, and what it remembers beside."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.catalog import begins_at_a_moment
from slotwatch.judge.flapping import MOST_OPENINGS
from slotwatch.snapshot import Confidence, HeardElsewhere, Incident, IncidentLeg, Severity

SURELY_ANOTHER_NS = 12 * NANOSECONDS
"""Longest window of any rule, 10 s, and some slack: what opened so long before a fault began is not part of it."""
Explains = tuple[tuple[str, tuple[str, ...]], ...]
Slot = tuple[str, str]
"""Rule and group: what makes a cluster the same as an incident's."""


@dataclass(slots=True)
class IncidentDraft:
    """What a cluster says of itself at one moment, in words: the changing part of an incident."""

    rule: str
    group: str
    severity: Severity
    cause: str
    confidence: Confidence
    began_ns: int
    universes: tuple[str, ...]
    sources: tuple[str, ...]
    fixtures: tuple[str, ...]
    summary: str
    evidence: tuple[str, ...]
    explains: Explains
    also_possible: tuple[str, ...]
    still_working: tuple[str, ...]
    next_checks: tuple[str, ...]
    accepted: str = ""
    accepted_until: str = ""
    accepted_by: str = ""
    returns: int = 0
    """Times its condition came back while it stayed open."""
    held_ns: int = 0
    """When any of its cases was last true."""
    flapping: bool = False
    source_keys: tuple[str, ...] = ()
    labels: tuple[tuple[str, str], ...] = ()
    returned_ns: int | None = None
    """When all of it was back; None while some of it lasts."""
    summary_of_it: str = ""
    """The summary in the words of the fault itself, also once it is back."""
    heard_elsewhere: tuple[HeardElsewhere, ...] = ()
    legs: tuple[IncidentLeg, ...] = ()
    absorbs: tuple[Slot, ...] = ()
    """Slots that the explained cases would have had of their own."""


@dataclass(slots=True)
class IncidentRecord:
    """One incident in the book."""

    incident: Incident
    slot: Slot
    returns_before: int = 0
    openings: deque[int] = field(default_factory=lambda: deque(maxlen=MOST_OPENINGS))
    """When it opened and when it returned, the newest."""
    held_ns: int = 0
    calm_ns: int = 0
    """Since when it stays open only because it flaps; 0 while its fault is there."""

    while_it_lasted: str = ""
    """The summary before all of it was back."""

    earlier_began_ns: int = 0
    """When it began, as an earlier judgement knew; 0: this judgement opened it."""

    def end(self, now_ns: int) -> None:
        """Put the summary into the past, with the length of the outage itself."""
        incident = self.incident
        if incident.returned_ns is not None and self.while_it_lasted:
            lasted_ns = max(0, incident.returned_ns - incident.began_ns)
            incident.summary = f"{self.while_it_lasted} It lasted {wording.seconds(lasted_ns)}."


def may_be_part(part: IncidentRecord, account: IncidentDraft) -> bool:
    """Whether an open incident may turn out to be this fault: one that opened before it began is another."""
    if part.incident.rule == account.rule:
        return True
    slack_ns = 0 if begins_at_a_moment(account.rule) else SURELY_ANOTHER_NS
    return part.incident.opened_ns >= account.began_ns - slack_ns
