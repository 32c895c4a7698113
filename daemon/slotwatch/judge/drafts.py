"""One incident in the making: its draft of this pass in words, and the record that outlives passes."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, fields
from math import inf
from operator import attrgetter

from slotwatch.judge import wording
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.flapping import MOST_OPENINGS
from slotwatch.judge.rule import RuleClass
from slotwatch.snapshot import Confidence, Incident, IncidentLeg, Severity
from slotwatch.snapshot.elsewhere import HeardElsewhere

UNKNOWN = frozenset({"", "unknown"})
"""Causes that say nothing."""
Explains = tuple[tuple[str, tuple[str, ...]], ...]
Slot = tuple[str, str]
"""Rule and group: what makes a cluster the same as an incident's."""


Outage = tuple[int, str]
"""A time in which no levels came on universes that only miss a source now: its end, and a sentence."""
NO_OUTAGE: Outage = 0, ""


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
    since_ns: int = 0
    """The last good frame of its first case, where that is earlier than its beginning; else 0."""
    accepted: str = ""
    accepted_until: str = ""
    accepted_by: str = ""
    returns: int = 0
    """Times its condition came back while it stayed open."""
    held_ns: int = 0
    """When any of its cases was last true."""
    flapping: bool = False
    is_steady: bool = False
    """A source stays away, while others in the same incident come and go."""
    source_keys: tuple[str, ...] = ()
    labels: tuple[tuple[str, str], ...] = ()
    returned_ns: int | None = None
    """When all of it was back; None while some of it lasts."""
    summary_of_it: str = ""
    """The summary in the words of the fault itself, also once it is back."""
    repeats: bool = False
    """Whether its cause is known by its coming again and again: then what was over before had it too."""
    weight: float = 0.0
    """How bad its figures are, by the measure of its rule."""
    heard_elsewhere: tuple[HeardElsewhere, ...] = ()
    legs: tuple[IncidentLeg, ...] = ()
    controlled_by: tuple[tuple[str, str], ...] = ()
    """(universe, who controls it now, if not only the sources that should)."""
    paces_hz: tuple[tuple[str, float], ...] = ()
    outage: Outage = NO_OUTAGE
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
    """The summary before all of it was back, with the worst figures that it had."""
    evidence_of_it: tuple[str, ...] = ()
    """The evidence of that summary."""
    checks_of_it: tuple[str, ...] = ()
    """What there was to look at then."""
    outage: Outage = NO_OUTAGE
    """The newest: a draft knows it only while it counts as just over, and of fewer and fewer universes."""
    weight: float = -inf
    """How bad those figures are."""

    earlier_began_ns: int = 0
    """When it began, as an earlier judgement knew; 0: this judgement opened it."""
    causes: set[str] = field(default_factory=set)
    """All causes that it has had: a verdict goes through several while evidence comes in."""

    is_resumed: bool = False
    """Whether it is from before a restart, so that some causes that it had are not known."""

    went_on_from_ns: int = 0
    """When it began, if that was before what it is about now: it came back, and was gone again; 0: it was not."""

    over: IncidentRecord | None = None
    """This record as it was when all of it was back, where it is gone again since; None: it is not."""

    def may_have_cause(self, cause: str) -> bool:
        """Whether what returns may be this fault: its cause is one that this had, or one of them is not known."""
        return self.is_resumed or cause in self.causes or cause in UNKNOWN or self.causes <= UNKNOWN

    def keep_as_over(self) -> None:
        """Keep what was known of it while all of it was back. To be called before it is gone again."""
        incident, openings = self.incident.copy(), self.openings.copy()
        over = IncidentRecord(*_values_of(self))
        over.incident, over.causes, over.openings, over.over = incident, set(self.causes), openings, None
        self.over = over

    def begin_anew(self, draft: IncidentDraft) -> None:
        """Forget whom and what it was about: it was over, and what returned is described from its own beginning."""
        incident = self.incident
        self.slot, self.while_it_lasted = (draft.rule, draft.group), ""
        self.outage, self.incident.outage = NO_OUTAGE, ""
        self.went_on_from_ns = self.earlier_began_ns = 0
        incident.began_ns, incident.returned_ns, incident.back_ns = draft.began_ns, None, 0
        incident.universes = incident.sources = incident.source_keys = incident.fixtures = ()
        incident.labels, incident.legs, incident.explains = (), (), ()

    def summary_now(self, draft: IncidentDraft) -> str:
        """Give the summary of a draft. Where it quotes what was said while it lasted, that is the record's."""
        quoted = draft.summary_of_it
        if draft.returned_ns is None or not draft.summary.endswith(quoted):
            return draft.summary
        return draft.summary.removesuffix(quoted) + self.while_it_lasted

    def count_what_was_well(self, draft: IncidentDraft) -> None:
        """Keep for how long it was back, once it is gone again. To be called when it has its new beginning."""
        incident = self.incident
        if incident.returned_ns is None or draft.returned_ns is not None:
            return
        if incident.began_ns >= draft.began_ns:
            incident.back_ns = 0  # its length counts from this outage
        else:
            incident.back_ns += max(0, draft.began_ns - incident.returned_ns)

    def end(self, flapped: bool) -> None:
        """Put the summary into the past, with the length of the outage itself; flapped: it came and went often.

        What returned after it was closed is told from its newest beginning: its length is that of the last time.
        """
        incident = self.incident
        # Who reads of it the next morning looks for what was wrong then.
        incident.next_checks = tuple(dict.fromkeys((*self.checks_of_it, *incident.next_checks)))
        rule = CATALOG.get(incident.rule)  # of an earlier version it may be another one
        if rule is not None and rule.tells_a_moment:
            incident.summary = self.while_it_lasted or incident.summary
        elif incident.returned_ns is not None and self.while_it_lasted:
            length = wording.seconds(max(0, incident.returned_ns - incident.began_ns - incident.back_ns))
            # What only flickered within it has no new beginning.
            begins_anew = bool(incident.flaps) and not incident.back_ns and incident.began_ns > incident.opened_ns
            if incident.back_ns:
                length += f" in all; it was back for {wording.seconds(incident.back_ns)} in between"
            elif begins_anew:
                length += " the last time"
            is_told = flapped or begins_anew
            often = f" It came and went {incident.flaps + 1} times." if is_told else ""
            incident.summary = f"{self.while_it_lasted} It lasted {length}.{often}"

    def give_up(self, sentence: str) -> None:
        """End the summary of a loss that did not come back with this sentence. What worked then is no record."""
        incident = self.incident
        incident.summary = f"{self.while_it_lasted or incident.summary} {sentence}"
        incident.still_working = incident.next_checks = ()

    def keep_worst(self, draft: IncidentDraft) -> None:
        """Keep the words of a draft, unless this incident had worse figures of the very same: those are its record.

        A window empties while a fault ends, so its last figures are the mildest. To be called before the incident
        takes the draft's rule, cause and universes.
        """
        incident = self.incident
        is_same = (incident.rule, incident.cause) == (draft.rule, draft.cause)
        is_wider = bool(set(draft.universes) - set(incident.universes))
        # A loss has no figures: its newest words know most.
        has_figures = CATALOG[draft.rule].rule_class is not RuleClass.LOSS
        if self.while_it_lasted and has_figures and is_same and not is_wider and draft.weight < self.weight:
            return
        self.while_it_lasted, self.evidence_of_it = draft.summary_of_it, draft.evidence
        self.checks_of_it = draft.next_checks or self.checks_of_it
        self.weight = draft.weight


_values_of = attrgetter(*(one.name for one in fields(IncidentRecord)))
