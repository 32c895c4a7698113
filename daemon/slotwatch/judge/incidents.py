"""The life of an incident: opened, revised, widened, closed, returned, acknowledged; and its timeline.

An incident is one fault with one cause. What turns out to be part of a wider fault is not joined by a second
incident: the first one is widened. What returns within a minute is the same incident again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import replace

from slotwatch.judge.catalog import CATALOG, FLAPPING, begins_at_a_moment
from slotwatch.judge.drafts import Explains, IncidentDraft, IncidentRecord, Slot, may_be_part
from slotwatch.judge.events import Event, how_long
from slotwatch.judge.flapping import QUIET_NS, REOPEN_NS
from slotwatch.judge.likeness import difference, is_alike, joined
from slotwatch.snapshot import Acknowledgement, Incident, MadeException, TimelineEntry

NANOSECONDS = 1_000_000_000
MOST_CLOSED = 512
MOST_ENTRIES = 64
"""Entries of one timeline; the first and the newest are kept."""


class IncidentBook:
    """All incidents: the open ones, and the newest closed ones."""

    def __init__(self, wall_offset_ns: int) -> None:
        self.next_id = 1
        self.told = 0
        """Entries that timelines have been given so far."""
        self.wall_offset_ns = wall_offset_ns
        self._open: dict[int, IncidentRecord] = {}
        self._closed: deque[IncidentRecord] = deque(maxlen=MOST_CLOSED)
        self._resumed: set[int] = set()
        self._events: list[Event] = []
        self._now_ns = 0
        self._claimed: set[Slot] = set()
        self._raised: set[Slot] = set()
        """Rule and universe of all that is an incident of its own now."""
        self._took_over = False

    # --- reading --------------------------------------------------------------------------------------

    def open_incidents(self) -> list[Incident]:
        return [entry.incident for entry in self._open.values()]

    def closed_incidents(self) -> list[Incident]:
        return [entry.incident for entry in self._closed if not entry.merged]

    def take_events(self) -> list[Event]:
        events, self._events = self._events, []
        return events

    def is_open(self, number: int) -> bool:
        """Whether its fault is there; one that only waits for its minute of quiet explains nothing new."""
        return number in self._open and not self._open[number].calm_ns

    def closed_ns(self, number: int) -> int:
        if number in self._open:
            return self._open[number].calm_ns
        for entry in reversed(self._closed):
            if entry.incident.id == number:
                return entry.incident.closed_ns or 0
        return 0

    def key_of(self, number: int) -> Slot | None:
        entry = self._open.get(number)
        return entry.slot if entry else None

    def number_of(self, slot: Slot) -> int | None:
        return next((number for number, entry in self._open.items() if entry.slot == slot), None)

    @property
    def due_ns(self) -> int | None:
        """When the next incident that only waits for its minute of quiet is over."""
        return min((entry.held_ns + QUIET_NS for entry in self._open.values() if entry.calm_ns), default=None)

    @property
    def resumed(self) -> set[int]:
        """Numbers of what was open before a restart and was not found again yet."""
        return self._resumed

    def calm_incidents(self) -> list[Incident]:
        """Incidents that are open only because they came and went too often just now."""
        return [entry.incident for entry in self._open.values() if entry.calm_ns]

    # --- the pass -------------------------------------------------------------------------------------

    def update(self, accounts: Sequence[IncidentDraft], now_ns: int) -> None:
        """Bring the book in line with what is raised now."""
        self._now_ns = now_ns
        kept: set[int] = set()
        by_slot = {entry.slot: entry for entry in self._open.values()}
        self._claimed = {(account.rule, account.group) for account in accounts}
        self._raised = {(account.rule, name) for account in accounts for name in account.universes}
        for account in accounts:
            entry = self._find(account, by_slot, kept)
            if entry is None:
                entry = self._open_new(account, now_ns)
            else:
                self._revise(entry, account, now_ns)
            kept.add(entry.incident.id)
            self._absorb(entry, account, by_slot, kept, now_ns)
        for number in [number for number in self._open if number not in kept]:
            self._leave(self._open[number], now_ns)

    def _find(
        self, account: IncidentDraft, by_slot: dict[Slot, IncidentRecord], kept: set[int]
    ) -> IncidentRecord | None:
        slot = account.rule, account.group
        entry = by_slot.get(slot)
        if entry is not None and entry.incident.id not in kept and entry.incident.id in self._open:
            return entry
        # A narrower incident of the same fault that was opened first is widened, not joined by a second.
        parts = [by_slot[part] for part in account.absorbs if part in by_slot and part not in self._claimed]
        parts += [entry for entry in self._open.values() if self._was_group_of(entry, account)]
        parts += [self._open[number] for number in self._resumed if self._is_resumed(self._open.get(number), account)]
        # What stopped, came back and stopped again before it was over is the same fault.
        parts += [
            entry for entry in self._open.values() if entry.slot not in self._claimed and self._is_same(entry, account)
        ]
        parts = [part for part in parts if may_be_part(part, account)]
        free = [part for part in parts if part.incident.id in self._open and part.incident.id not in kept]
        if free:
            return min(free, key=lambda part: part.incident.opened_ns)
        return self._reopened(account)

    @staticmethod
    def _was_group_of(entry: IncidentRecord, account: IncidentDraft) -> bool:
        """Whether an open incident is this very group under another rule (absent sources, then a lost universe)."""
        return entry.slot[1] == account.group and account.group.startswith("loss:")

    @staticmethod
    def _is_same(entry: IncidentRecord | None, account: IncidentDraft) -> bool:
        if entry is None or entry.incident.rule != account.rule:
            return False
        before = entry.incident
        if before.universes or account.universes:
            return bool(set(before.universes) & set(account.universes))
        return entry.slot[1] == account.group or set(before.sources) == set(account.sources)

    @staticmethod
    def _is_resumed(entry: IncidentRecord | None, account: IncidentDraft) -> bool:
        gone = ("universe-lost", "universe-missing")
        if entry is None or not set(entry.incident.universes) & set(account.universes):
            return IncidentBook._is_same(entry, account)
        return entry.incident.rule == account.rule or (entry.incident.rule in gone and account.rule in gone)

    def _reopened(self, account: IncidentDraft) -> IncidentRecord | None:
        for entry in reversed(self._closed):
            closed_ns = entry.incident.closed_ns or 0
            if entry.merged or self._now_ns - closed_ns > REOPEN_NS:
                continue
            if self._is_same(entry, account):
                self._closed.remove(entry)
                self._reopen(entry, account)
                return entry
        return None

    def _reopen(self, entry: IncidentRecord, account: IncidentDraft) -> None:
        incident = entry.incident
        incident.closed_ns = None
        entry.slot = account.rule, account.group
        self._open[incident.id] = entry
        self._return(entry, account)

    def _return(self, entry: IncidentRecord, account: IncidentDraft) -> None:
        entry.incident.flaps += 1
        entry.returns_before = entry.incident.flaps
        entry.openings.append(self._now_ns)
        self._say(entry, self._now_ns, "returned", f"It returned: {account.summary}")

    def _open_new(self, account: IncidentDraft, now_ns: int) -> IncidentRecord:
        incident = Incident(
            id=self.next_id,
            rule=account.rule,
            severity=account.severity,
            cause=account.cause,
            confidence=account.confidence,
            began_ns=account.began_ns,
            opened_ns=now_ns,
            wall_offset_ns=self.wall_offset_ns,
        )
        self.next_id += 1
        entry = IncidentRecord(incident, (account.rule, account.group))
        entry.openings.append(now_ns)
        self._fill(entry, account)
        self._open[incident.id] = entry
        incident.timeline = (TimelineEntry(account.began_ns, "It began on the wire.", "began"),)
        self._say(entry, now_ns, "opened", account.summary)
        return entry

    def _fill(self, entry: IncidentRecord, account: IncidentDraft) -> None:
        incident = entry.incident
        # What turned out to be part of a wider fault began when that did.
        same = incident.rule == account.rule or not begins_at_a_moment(account.rule)
        incident.began_ns = min(incident.began_ns, account.began_ns) if same else account.began_ns
        incident.rule, incident.cause, incident.confidence = account.rule, account.cause, account.confidence
        incident.severity = account.severity
        # What it took down stays named when a part of it is back: the record is of the whole fault.
        incident.universes = joined(incident.universes, account.universes)
        incident.sources = joined(incident.sources, account.sources)
        incident.source_keys = joined(incident.source_keys, account.source_keys)
        incident.fixtures = joined(incident.fixtures, account.fixtures)
        incident.labels = joined(incident.labels, account.labels)
        incident.returned_ns = account.returned_ns
        incident.summary, incident.next_checks = account.summary, account.next_checks
        if account.returned_ns is None or not entry.while_it_lasted:
            entry.while_it_lasted = account.summary_of_it
            incident.evidence, incident.still_working = account.evidence, account.still_working
            incident.also_possible = account.also_possible
        else:
            # What was known while it lasted stays the record; what worked beside it then works with the rest now.
            incident.still_working = ()
        if incident.explains != account.explains:
            incident.explains = self._explained(incident.explains, account.explains)
        incident.accepted = account.accepted
        incident.accepted_until, incident.accepted_by = account.accepted_until, account.accepted_by
        # Its ages grow with each look; only another state is something to say.
        stands = [(one.listener, one.state) for one in account.heard_elsewhere]
        if stands != [(one.listener, one.state) for one in incident.heard_elsewhere]:
            incident.heard_elsewhere = account.heard_elsewhere
        returned = entry.returns_before + account.returns - incident.flaps
        if returned > 0:
            incident.flaps += returned
            entry.openings.append(self._now_ns)
        entry.slot = account.rule, account.group
        entry.held_ns = account.held_ns or self._now_ns
        if entry.is_flapping and not account.flapping:
            incident.summary = FLAPPING.sentence.format(summary=account.summary, flaps=incident.flaps + 1)

    def _explained(self, before: Explains, now: Explains) -> Explains:
        """What it explains now, and what it explained that is over since: else nothing would tell where that went."""
        found = dict(now)
        for rule, universes in before:
            over = tuple(name for name in universes if (rule, name) not in self._raised)
            if over or not universes:
                found[rule] = joined(over, found.get(rule, ()))
        return tuple(sorted(found.items()))

    def _revise(self, entry: IncidentRecord, account: IncidentDraft, now_ns: int) -> None:
        incident = entry.incident
        self._resumed.discard(incident.id)
        if entry.calm_ns:
            entry.calm_ns = 0
            self._return(entry, account)
        before = replace(incident)
        self._fill(entry, account)
        if incident == before:
            return
        what, text = difference(before, incident)
        if what:
            self._say(entry, now_ns, what, text)
        else:
            incident.revision += 1

    def _absorb(
        self,
        entry: IncidentRecord,
        account: IncidentDraft,
        by_slot: dict[Slot, IncidentRecord],
        kept: set[int],
        now_ns: int,
    ) -> None:
        for slot in account.absorbs:
            part = None if slot in self._claimed else by_slot.get(slot)
            if part is None or part is entry or part.incident.id not in self._open or part.incident.id in kept:
                continue
            # What had begun and been said long before is not made by it: it ends here, and stays on the record.
            part.merged = may_be_part(part, account)
            word = "It is part of" if part.merged else "It gave way to"
            self._close(part, now_ns, f"{word} incident {entry.incident.id}: {entry.incident.summary}")

    def _leave(self, entry: IncidentRecord, now_ns: int) -> None:
        """Close what is raised no longer, unless it comes and goes: that stays open until it has been quiet."""
        if entry.is_flapping and now_ns - entry.held_ns < QUIET_NS:
            entry.calm_ns = entry.calm_ns or now_ns
        else:
            self._close(entry, now_ns)

    def _close(self, entry: IncidentRecord, now_ns: int, text: str = "") -> None:
        incident = entry.incident
        if incident.id in self._resumed:
            return
        del self._open[incident.id]
        entry.calm_ns = 0
        incident.closed_ns = now_ns
        entry.end(now_ns)
        self._closed.append(entry)
        self._say(entry, now_ns, "closed", text or how_long(incident))

    def _say(self, entry: IncidentRecord, t_ns: int, what: str, text: str) -> None:
        incident = entry.incident
        timeline = [*incident.timeline, TimelineEntry(t_ns, text, what)]
        if len(timeline) > MOST_ENTRIES:
            timeline = timeline[:2] + timeline[-MOST_ENTRIES + 2 :]
        incident.timeline = tuple(timeline)
        incident.revision += 1
        self.told += 1
        self._events.append(Event(t_ns, what, text, replace(incident)))

    # --- people ---------------------------------------------------------------------------------------

    def acknowledge(self, number: int, by: str, note: str, now_ns: int) -> Incident:
        """Note who has taken an incident on. ValueError if there is no such incident."""
        entry = self._entry(number)
        entry.incident.acknowledged = Acknowledgement(by, now_ns, note)
        self._say(entry, now_ns, "acknowledged", f"Acknowledged by {by}{': ' + note if note else ''}.")
        return entry.incident

    def unacknowledge(self, number: int, now_ns: int) -> Incident:
        """Take an acknowledgement back."""
        entry = self._entry(number)
        if entry.incident.acknowledged is not None:
            by = entry.incident.acknowledged.by
            entry.incident.acknowledged = None
            self._say(entry, now_ns, "acknowledged", f"The acknowledgement by {by} was taken back.")
        return entry.incident

    def find(self, number: int) -> Incident:
        """The incident of that number. ValueError if this judgement knows none."""
        return self._entry(number).incident

    def note_exception(self, number: int, made: MadeException | None, text: str, now_ns: int) -> None:
        """Show an exception at an open incident, or that it was taken back (None), also before the next pass."""
        entry = self._open.get(number)
        if entry is None:
            return
        incident = entry.incident
        incident.accepted = made.reason if made else ""
        incident.accepted_until, incident.accepted_by = (made.until, made.by) if made else ("", "")
        self._say(entry, now_ns, "accepted", text)

    def _entry(self, number: int) -> IncidentRecord:
        entry = self._open.get(number)
        if entry is None:
            entry = next((closed for closed in self._closed if closed.incident.id == number), None)
        if entry is None:
            raise ValueError(f"there is no incident {number}")
        return entry

    def resume(self, next_id: int, incidents: Iterable[Incident], now_ns: int) -> None:
        """Take over from an earlier judgement: numbers go on, and what was open stays until it is judged anew.

        May come late or twice: what this judgement found meanwhile is put together with its earlier self,
        and gets a number of its own where it has none.
        """
        given = {one.id: one for one in incidents if one.closed_ns is None and one.rule in CATALOG}
        self.next_id = max(self.next_id, next_id, *(number + 1 for number in given), 1)
        own = [entry for number, entry in self._open.items() if not self._took_over or number not in given]
        for entry in own:
            number = entry.incident.id
            twin = next((one for one in given.values() if is_alike(one, entry.incident)), None)
            if twin is None and (self._took_over or not given) and number >= next_id:
                continue
            del self._open[number]
            if twin is None:
                entry.incident.id, self.next_id = self.next_id, self.next_id + 1
            else:
                self._put_together(entry.incident, self._moved(given.pop(twin.id)))
            entry.incident.revision += 1
            self._open[entry.incident.id] = entry
        for incident in given.values():
            if incident.id in self._open:
                continue
            own_copy = self._moved(incident)
            entry = IncidentRecord(own_copy, (own_copy.rule, f"resumed:{own_copy.id}"), own_copy.flaps)
            self._open[own_copy.id] = entry
            self._resumed.add(own_copy.id)
            self._say(entry, now_ns, "said", "The judgement was started again while this was open.")
        self._took_over = True

    def _moved(self, incident: Incident) -> Incident:
        """Copy an incident onto this judgement's clock."""
        shift_ns = incident.wall_offset_ns - self.wall_offset_ns
        return replace(
            incident,
            began_ns=incident.began_ns + shift_ns,
            opened_ns=incident.opened_ns + shift_ns,
            returned_ns=None if incident.returned_ns is None else incident.returned_ns + shift_ns,
            timeline=tuple(replace(entry, t_ns=entry.t_ns + shift_ns) for entry in incident.timeline),
            wall_offset_ns=self.wall_offset_ns,
        )

    @staticmethod
    def _put_together(found: Incident, earlier: Incident) -> None:
        found.id, found.opened_ns = earlier.id, earlier.opened_ns
        found.began_ns = min(found.began_ns, earlier.began_ns)
        found.acknowledged, found.flaps = earlier.acknowledged, max(found.flaps, earlier.flaps)
        found.timeline = (*earlier.timeline, *found.timeline[1:])
        found.revision = max(found.revision, earlier.revision)

    def let_go(self, now_ns: int) -> None:
        """End the grace of what was resumed: what has not been found again by now is over."""
        resumed, self._resumed = self._resumed, set()
        for number in resumed:
            if number in self._open:
                self._close(self._open[number], now_ns, "It was not found again after the restart.")
