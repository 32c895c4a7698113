"""The life of an incident: opened, revised, widened, closed, returned, acknowledged; and its timeline.

An incident is one fault with one cause. What turns out to be part of a wider fault is not joined by a second
incident: the first one is widened. What returns within a minute is the same incident again.
"""

from __future__ import annotations

from collections.abc import Sequence

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import earlier
from slotwatch.judge.catalog import CATALOG, FLAPPING, begins_at_a_moment
from slotwatch.judge.drafts import Explains, IncidentDraft, IncidentRecord, Slot
from slotwatch.judge.events import how_long
from slotwatch.judge.likeness import ABSENT, GONE, LOSSES, OF_DATA, difference, joined, joined_universes, with_silences
from slotwatch.judge.resumed import ResumedIncidents
from slotwatch.judge.same_fault import (
    is_another,
    is_followed_by,
    is_found_within,
    is_resumed,
    is_same,
    may_be_part,
    was_group_of,
)
from slotwatch.snapshot import Incident, TimelineEntry

SETTLE_NS = 2 * NANOSECONDS
"""What opens together is seen together, and a cause that is revised at once is sent once."""


class IncidentBook(ResumedIncidents):
    """The table of incidents, brought in line with the drafts of each pass, and with what an earlier judgement left."""

    # --- the pass -------------------------------------------------------------------------------------

    def update(self, drafts: Sequence[IncidentDraft], now_ns: int) -> None:
        """Bring the book in line with what is raised now."""
        self._now_ns = now_ns
        kept: set[int] = set()
        by_slot = {entry.slot: entry for entry in self._open.values()}
        # What lasts comes before what is back: if an incident splits, the part that lasts keeps its number.
        # So does the part that still has the same cause, if the incident is from before a restart.
        drafts = sorted(drafts, key=lambda draft: (draft.returned_ns is not None, not self._is_as_before(draft)))
        self._drafted = {(draft.rule, draft.group) for draft in drafts}
        self._claimed = {(draft.rule, draft.group) for draft in drafts if draft.returned_ns is None}
        self._returned = self._drafted - self._claimed
        self._raised = {(draft.rule, name) for draft in drafts for name in draft.universes}
        self._parted = _parted(drafts)
        found: list[tuple[IncidentRecord, IncidentDraft]] = []
        for draft in drafts:
            if draft.returned_ns is not None and self._is_within(draft, by_slot, kept):
                continue
            entry = self._find(draft, by_slot, kept)
            if entry is None:
                if draft.returned_ns is not None:
                    continue  # it belonged to an incident that has closed since
                entry = self._open_new(draft, now_ns)
                self._end_followed(entry, draft, kept)
            else:
                self._revise(entry, draft, now_ns)
            kept.add(entry.incident.id)
            found.append((entry, draft))
        # Only an incident that no draft continues can become part of another.
        for entry, draft in found:
            self._absorb(entry, draft, by_slot, kept, now_ns)
        self._narrow_waiting(kept)
        for number in [number for number in self._open if number not in kept]:
            self._leave(self._open[number], now_ns)

    def _is_within(self, draft: IncidentDraft, by_slot: dict[Slot, IncidentRecord], kept: set[int]) -> bool:
        """Whether what is back belongs to an incident of which another part lasts, and has none of its own."""
        slot = draft.rule, draft.group
        if slot in by_slot or any(was_group_of(entry, draft) for entry in by_slot.values()):
            return False
        open_now = [self._open[number] for number in kept if number in self._open]
        own = next((entry for entry in open_now if entry.slot == slot), None)
        return own is None and any(is_same(entry, draft) for entry in open_now)

    def _find(self, draft: IncidentDraft, by_slot: dict[Slot, IncidentRecord], kept: set[int]) -> IncidentRecord | None:
        slot = draft.rule, draft.group
        entry = by_slot.get(slot)
        if entry is not None and entry.incident.id not in kept and entry.incident.id in self._open:
            return None if is_followed_by(entry, draft) else entry
        # A narrower incident of the same fault that was opened first is widened, not joined by a second.
        parts = [by_slot[part] for part in draft.absorbs if part in by_slot and part not in self._claimed]
        # Nobody acknowledged a loss by acknowledging what is heard instead.
        parts = [part for part in parts if draft.rule not in GONE or part.incident.rule not in OF_DATA]
        parts += [entry for entry in self._open.values() if was_group_of(entry, draft)]
        parts += [self._open[number] for number in self._resumed if is_resumed(self._open.get(number), draft)]
        parts += self._lone_resumed(draft)
        # What stopped, came back and stopped again before it was over is the same fault.
        parts += [entry for entry in self._open.values() if entry.slot not in self._claimed and is_same(entry, draft)]
        parts = [part for part in parts if may_be_part(part, draft, is_back=part.slot in self._returned)]
        free = [part for part in parts if part.incident.id in self._open and part.incident.id not in kept]
        if free:
            return min(free, key=lambda part: part.incident.opened_ns)
        return self._reopened(draft)

    def _lone_resumed(self, draft: IncidentDraft) -> list[IncidentRecord]:
        """The incident from before a restart of what names neither universe nor source: the same by its group."""
        if draft.universes or draft.sources:
            return []
        found = [self._open[number] for number in self._resumed if self._open[number].incident.rule == draft.rule]
        if any(entry.incident.group for entry in found):
            return [entry for entry in found if entry.incident.group == draft.group]
        # Records of before there were groups.
        return found if len(found) == 1 and sum(rule == draft.rule for rule, _ in self._claimed) == 1 else []

    def _is_as_before(self, draft: IncidentDraft) -> bool:
        """Whether a draft is an incident from before a restart, with the cause that it had."""
        waiting = [self._open.get(number) for number in self._resumed]
        return any(one and one.incident.cause == draft.cause and is_resumed(one, draft) for one in waiting)

    def _reopened(self, draft: IncidentDraft) -> IncidentRecord | None:
        for entry in reversed(self._closed):
            closed_ns = entry.incident.closed_ns or 0
            if entry.incident.part_of or self._now_ns - closed_ns > self._flapping.reopen_ns:
                continue
            if is_same(entry, draft) and not is_another(entry, draft):
                self._closed.remove(entry)
                self._reopen(entry, draft)
                return entry
        return None

    def _reopen(self, entry: IncidentRecord, draft: IncidentDraft) -> None:
        incident = entry.incident
        incident.closed_ns = None
        entry.begin_anew(draft)
        self._open[incident.id] = entry
        self._return(entry, draft)

    def _return(self, entry: IncidentRecord, draft: IncidentDraft) -> None:
        entry.incident.flaps += 1
        entry.returns_before = entry.incident.flaps
        entry.openings.append(self._now_ns)
        self._fill(entry, draft)
        self._record(entry, self._now_ns, "returned", f"{earlier.RETURNED}{draft.summary}")

    def _open_new(self, draft: IncidentDraft, now_ns: int) -> IncidentRecord:
        incident = Incident(
            id=self.next_id,
            rule=draft.rule,
            severity=draft.severity,
            cause=draft.cause,
            confidence=draft.confidence,
            began_ns=draft.began_ns,
            opened_ns=now_ns,
            wall_offset_ns=self.wall_offset_ns,
        )
        self.next_id += 1
        # How often its cases came and went before is the story of another incident.
        entry = IncidentRecord(incident, (draft.rule, draft.group), -draft.returns)
        entry.openings.append(now_ns)
        self._fill(entry, draft)
        self._open[incident.id] = entry
        incident.timeline = (TimelineEntry(draft.began_ns, "The fault began.", "began"),)
        self._record(entry, now_ns, "opened", draft.summary)
        return entry

    def _end_followed(self, entry: IncidentRecord, draft: IncidentDraft, kept: set[int]) -> None:
        """Close what was back and is followed by this other fault: it keeps its words and its acknowledgement."""
        mine = draft.rule, draft.group
        for one in [one for number, one in self._open.items() if number not in kept and one is not entry]:
            is_free = one.slot == mine or (one.slot not in self._drafted and is_same(one, draft))
            if not is_free or not is_followed_by(one, draft):
                continue
            ended = one
            if one.incident.returned_ns is None and one.over is not None:
                ended, of_now = one.over, one.incident
                if of_now.acknowledged != ended.incident.acknowledged:
                    entry.incident.acknowledged = of_now.acknowledged  # given since this fault began
                ended.incident.timeline, ended.incident.revision = of_now.timeline, of_now.revision
                self._open[of_now.id] = ended
            length = how_long(ended.incident)
            self._close(ended, self._now_ns, f"{length}. Another fault followed: #{entry.incident.id}.")

    def _fill(self, entry: IncidentRecord, draft: IncidentDraft) -> None:
        """Bring an incident in line with its draft of this pass."""
        incident = entry.incident
        is_gone_again = incident.returned_ns is not None and draft.returned_ns is None
        is_over = draft.returned_ns is not None and bool(entry.while_it_lasted)
        if not is_over:
            entry.keep_worst(draft)
        entry.causes.add(draft.cause)
        self._fill_beginning(entry, draft, is_gone_again=is_gone_again)
        entry.count_what_was_well(draft)
        before, is_same_rule = incident.rule, incident.rule == draft.rule
        if not {incident.known_as, draft.rule} <= GONE:
            incident.known_as = draft.rule
        incident.rule, incident.cause, incident.confidence = draft.rule, draft.cause, draft.confidence
        incident.severity = draft.severity
        self._give_up(incident, draft)
        whole = set(incident.universes)
        # What it took down stays named when a part of it is back: the record is of the whole fault.
        incident.universes = joined_universes(incident.universes, draft.universes)
        # What is left of a wider fault, by another rule, is about fewer sources.
        is_left = bool(draft.source_keys) and set(draft.source_keys) < set(incident.source_keys)
        is_left &= not is_same_rule and not {before, draft.rule} <= LOSSES
        incident.sources = joined(() if is_left else incident.sources, draft.sources)
        incident.source_keys = joined(() if is_left else incident.source_keys, draft.source_keys)
        incident.fixtures = joined(incident.fixtures, draft.fixtures)
        incident.labels = joined(incident.labels, draft.labels)
        if is_gone_again:
            entry.earlier_began_ns = 0  # what came back and is gone again has a new beginning
        # A pause without a fault does not count as a return.
        is_still_back = incident.returned_ns is not None and draft.returned_ns is not None
        if not (is_still_back and is_same_rule and set(draft.universes) <= whole):
            incident.returned_ns = draft.returned_ns
        incident.legs = with_silences(incident.legs, draft.legs)
        incident.controlled_by, incident.paces_hz = draft.controlled_by, draft.paces_hz
        if self._now_ns - incident.opened_ns < SETTLE_NS:
            universe = incident.universes[0] if len(incident.universes) == 1 else ""
            incident.settled_as = incident.known_as, incident.cause, universe
        returned = entry.returns_before + draft.returns - incident.flaps
        if returned > 0:
            incident.flaps += returned
            entry.openings.append(self._now_ns)
        self._fill_words(entry, draft, is_over=is_over)
        entry.slot = draft.rule, draft.group
        incident.group = "" if incident.universes or incident.sources else draft.group
        entry.held_ns = draft.held_ns or self._now_ns

    def _fill_beginning(self, entry: IncidentRecord, draft: IncidentDraft, *, is_gone_again: bool) -> None:
        incident = entry.incident
        # What turned out to be part of a wider fault began when that did.
        same = incident.rule == draft.rule or not begins_at_a_moment(draft.rule)
        is_one = entry.slot[1] == draft.group and draft.group.startswith("loss:")
        if same and not is_one:
            entry.went_on_from_ns = incident.began_ns = min(incident.began_ns, draft.began_ns)
            return
        # Of what stopped in one moment, each member that is found later may narrow that moment down;
        # a member that is back does not: the fault began with it.
        entry.went_on_from_ns *= same
        began_ns = min(draft.began_ns, entry.went_on_from_ns or draft.began_ns)
        is_part = not is_gone_again and not set(incident.universes) <= set(draft.universes)
        incident.began_ns = min(began_ns, incident.began_ns) if is_part else began_ns
        if not (incident.flaps or draft.returns or entry.over):
            # At rest, a wider fault's last frame may come after the incident that it took over was opened.
            incident.began_ns = min(incident.began_ns, incident.opened_ns)

    def _fill_words(self, entry: IncidentRecord, draft: IncidentDraft, *, is_over: bool) -> None:
        """is_over: all of it is back, and what was known while it lasted stays the record."""
        incident = entry.incident
        often = not draft.is_steady and self._flapping.opens_often(entry.openings)
        comes_and_goes = draft.flapping or often
        # What comes and goes has something to look at also while it is back: its cause, where that is known to repeat.
        incident.next_checks = (
            *draft.next_checks,
            *(FLAPPING.next_checks if comes_and_goes and not draft.repeats else ()),
        )
        # What ended last may have closed already: what is left of it ended earlier, and does not date the end.
        if draft.returned_ns is None or draft.returned_ns >= (incident.returned_ns or 0):
            incident.summary = entry.summary_now(draft)
            if comes_and_goes and not draft.flapping:
                incident.summary = FLAPPING.sentence.format(summary=draft.summary, flaps=incident.flaps + 1)
        if is_over:
            # What still worked while it lasted is now part of all that works.
            incident.evidence, incident.still_working = entry.evidence_of_it, ()
        else:
            incident.evidence, incident.still_working = draft.evidence, draft.still_working
            incident.also_possible = draft.also_possible
        entry.outage = max(entry.outage, draft.outage, key=lambda outage: outage[0])
        incident.outage = entry.outage[1] or incident.outage  # one of before a restart has it in words alone
        if incident.outage and draft.rule in ABSENT:
            incident.evidence = (incident.outage, *incident.evidence)
        if incident.explains != draft.explains:
            incident.explains = self._explained(incident.explains, draft.explains)
        incident.accepted = draft.accepted
        incident.accepted_until, incident.accepted_by = draft.accepted_until, draft.accepted_by
        # Its ages grow with each look; only another state is something to say.
        states_elsewhere = [(one.listener, one.state) for one in draft.heard_elsewhere]
        if states_elsewhere != [(one.listener, one.state) for one in incident.heard_elsewhere]:
            incident.heard_elsewhere = draft.heard_elsewhere

    def _give_up(self, incident: Incident, draft: IncidentDraft) -> None:
        """Strike out what turned out to have another cause, which an incident of its own names now."""
        before = set(incident.universes) - set(draft.universes)
        # On one universe, some sources may have the trouble of a path, and another one a trouble of its own.
        names = incident.universes if CATALOG[draft.rule].shares_a_path else before
        others = [one for name in names for one in self._parted.get((draft.rule, name), ()) if one is not draft]
        # What began after all of this was back took nothing from it.
        others = [one for one in others if draft.returned_ns is None or one.began_ns < draft.returned_ns]
        # Of one universe several sources may be absent, each by its own cause. What others brought meanwhile is theirs.
        others = [one for one in others if set(one.sources) & set(incident.sources) or not one.sources]
        if not others:
            return
        gone = {name for one in others for name in one.universes} & before
        strangers = {name for one in others for name in one.sources} - set(draft.sources)
        keys = {key for one in others for key in one.source_keys} - set(draft.source_keys)
        fixtures = {name for one in others for name in one.fixtures} - set(draft.fixtures)
        incident.universes = tuple(name for name in incident.universes if name not in gone)
        incident.labels = tuple(pair for pair in incident.labels if pair[0] not in gone)
        incident.sources = tuple(name for name in incident.sources if name not in strangers)
        incident.source_keys = tuple(key for key in incident.source_keys if key not in keys)
        incident.fixtures = tuple(name for name in incident.fixtures if name not in fixtures)
        incident.legs = tuple(leg for leg in incident.legs if leg.source not in strangers)

    def _narrow_waiting(self, found: set[int]) -> None:
        """Strike out of incidents from before a restart what incidents found since then name."""
        for entry in [self._open[number] for number in sorted(self._resumed & self._open.keys() - found)]:
            incident = entry.incident
            others = [one for name in incident.universes for one in self._parted.get((incident.rule, name), ())]
            others = [one for one in others if set(one.source_keys) & set(incident.source_keys)]
            if incident.rule in LOSSES or not others:
                continue
            taken = {name for one in others for name in one.universes}
            incident.labels = tuple(pair for pair in incident.labels if pair[0] not in taken)
            left = tuple(name for name in incident.universes if name not in taken)
            if left:
                incident.universes, incident.revision = left, incident.revision + 1
                continue
            whole = self.number_of((others[0].rule, others[0].group)) or 0
            self._resumed.discard(incident.id)
            self._close(entry, self._now_ns, f"It is part of incident {whole}: {others[0].summary}", whole)

    def _explained(self, before: Explains, now: Explains) -> Explains:
        """What it explains now, and what it explained that is over since: else nothing would tell where that went."""
        found = dict(now)
        for rule, universes in before:
            over = tuple(name for name in universes if (rule, name) not in self._raised)
            if over or not universes:
                found[rule] = joined(over, found.get(rule, ()))
        return tuple(sorted(found.items()))

    def _revise(self, entry: IncidentRecord, draft: IncidentDraft, now_ns: int) -> None:
        incident = entry.incident
        self._resumed.discard(incident.id)
        if incident.returned_ns is not None and draft.returned_ns is None:
            entry.keep_as_over()
        if entry.calm_ns:
            entry.calm_ns = 0
            self._return(entry, draft)
        before = incident.copy()
        self._fill(entry, draft)
        if incident == before:
            return
        what, text = difference(before, incident)
        if what == "widened" and before.returned_ns is not None and incident.returned_ns is None:
            what, text = "returned", f"{earlier.RETURNED}{incident.summary}"
        if what:
            self._record(entry, now_ns, what, text)
        else:
            incident.revision += 1

    def _absorb(
        self,
        entry: IncidentRecord,
        draft: IncidentDraft,
        by_slot: dict[Slot, IncidentRecord],
        kept: set[int],
        now_ns: int,
    ) -> None:
        # What was open before a restart may turn out to be what was opened since.
        waiting = [self._open[number] for number in sorted(self._resumed & self._open.keys())]
        again = [part.slot for part in waiting if is_found_within(part, draft)]
        for slot in (*draft.absorbs, *again):
            # An incident that has a draft of its own stays separate, also while it is back and watched.
            part = None if slot in self._drafted else by_slot.get(slot)
            if part is None or part is entry or part.incident.id not in self._open or part.incident.id in kept:
                continue
            # What had an incident long before is not caused by it: that incident ends here, and stays on the record.
            whole = entry.incident
            is_part = may_be_part(part, draft)
            self._resumed.discard(part.incident.id)
            word = "It is part of" if is_part else "It was replaced by"
            self._close(part, now_ns, f"{word} incident {whole.id}: {whole.summary}", whole.id if is_part else 0)

    def _leave(self, entry: IncidentRecord, now_ns: int) -> None:
        """Close what is raised no longer, unless it comes and goes: that stays open until it has been quiet."""
        if self._flapping.opens_often(entry.openings) and now_ns - entry.held_ns < self._flapping.quiet_ns:
            entry.calm_ns = entry.calm_ns or now_ns
        else:
            self._close(entry, now_ns)


def _parted(drafts: Sequence[IncidentDraft]) -> dict[Slot, list[IncidentDraft]]:
    """Rule and universe: the drafts of what is lost there now, or has a trouble that a path may bring to several."""
    found: dict[Slot, list[IncidentDraft]] = {}
    for draft in drafts:
        if draft.returned_ns is None and (draft.rule in LOSSES or CATALOG[draft.rule].shares_a_path):
            for name in draft.universes:
                found.setdefault((draft.rule, name), []).append(draft)
    return found
