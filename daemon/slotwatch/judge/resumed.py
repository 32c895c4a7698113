"""Incidents that were open before a restart: taken over, found again or closed, and watched once they are back."""

from __future__ import annotations

from collections.abc import Iterable

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import earlier
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.context import RuleContext
from slotwatch.judge.drafts import IncidentRecord
from slotwatch.judge.incident_table import IncidentTable
from slotwatch.judge.likeness import GONE, is_alike
from slotwatch.snapshot import Incident


class ResumedIncidents(IncidentTable):
    """The table, with what an earlier judgement left in it."""

    def resume(self, next_id: int, incidents: Iterable[Incident], now_ns: int) -> None:
        """Take over from an earlier judgement: numbers continue, and what was open stays until it is judged again.

        May come late or twice: what this judgement found meanwhile is put together with its earlier self,
        and gets a number of its own where it has none. What closed lately is kept, for it may return.
        """
        known = [one for one in incidents if one.rule in CATALOG]
        given = {one.id: one for one in known if one.closed_ns is None}
        self.next_id = max(self.next_id, next_id, *(one.id + 1 for one in known), 1)
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
                earlier.put_together(entry.incident, earlier.moved(given.pop(twin.id), self.wall_offset_ns))
                entry.went_on_from_ns = entry.incident.began_ns
            entry.incident.revision += 1
            self._open[entry.incident.id] = entry
        for incident in given.values():
            if incident.id not in self._open:
                self._await(earlier.record_of(earlier.moved(incident, self.wall_offset_ns)), now_ns)
        held = {*self._open, *(entry.incident.id for entry in self._closed)}
        closed = [earlier.moved(one, self.wall_offset_ns) for one in known if one.closed_ns is not None]
        self._closed.extendleft(
            earlier.record_of(one) for one in sorted(closed, key=_closed_ns, reverse=True) if one.id not in held
        )
        self._took_over = True

    def _await(self, entry: IncidentRecord, now_ns: int) -> None:
        self._open[entry.incident.id] = entry
        self._resumed.add(entry.incident.id)
        self._record(entry, now_ns, "resumed", "Judging restarted while this was open.")

    def look_again(self, ctx: RuleContext, waited_ns: int) -> None:
        """Look at what was open before a restart by what is heard now. What is not found for long is closed.

        waited_ns: time since the restart.
        """
        for number in sorted(self._resumed & self._open.keys()):
            entry = self._open[number]
            incident = entry.incident
            wider = self._wider(incident)
            heard_ns = earlier.heard_again_ns(ctx, incident)
            if wider is not None:
                self._resumed.discard(number)
                self._close(entry, ctx.now_ns, f"It is part of incident {wider.id}: {wider.summary}")
            elif heard_ns is not None:
                self._watch(ctx, entry, heard_ns)
            elif earlier.is_known_over(ctx, incident):
                self._resumed.discard(number)
                incident.summary = entry.while_it_lasted
                self._close(entry, ctx.now_ns, "It was over when this listener restarted.")
            elif waited_ns >= earlier.given_ns(incident) and not earlier.is_awaited(ctx, incident):
                self._resumed.discard(number)
                text = "" if incident.returned_ns is not None else "It was not found again after the restart."
                self._close(entry, ctx.now_ns, text)
            elif incident.rule in GONE and incident.returned_ns is None:
                summary = earlier.say_part_back(ctx, incident, entry.while_it_lasted)
                incident.revision += incident.summary != summary
                incident.summary = summary
                incident.next_checks = earlier.checks_of_part_back(ctx, incident, entry.checks_of_it)

    def _wider(self, incident: Incident) -> Incident | None:
        """The open loss of universes, found since, that an absence of before became."""
        of_sources = incident.rule in ("source-absent", "backup-absent")
        wide = (one.incident for number, one in self._open.items() if of_sources and number not in self._resumed)
        return next((one for one in wide if one.rule in GONE and set(incident.universes) <= set(one.universes)), None)

    def _watch(self, ctx: RuleContext, entry: IncidentRecord, heard_ns: int) -> None:
        """Say that it is back; close it once it has been heard for as long as anything is watched."""
        incident = entry.incident
        if incident.returned_ns is None:
            incident.returned_ns = max(heard_ns, incident.began_ns)
            incident.summary, incident.next_checks = earlier.summary_of_return(ctx, incident), ()
            incident.revision += 1
        watched_ns = round(CATALOG[incident.rule].off_delay_s * NANOSECONDS)
        if ctx.now_ns - max(heard_ns, incident.returned_ns) >= watched_ns:
            self._resumed.discard(incident.id)
            self._close(entry, ctx.now_ns)

    @property
    def waiting(self) -> list[Incident]:
        """What was open before a restart and was not found again yet."""
        return [self._open[number].incident for number in sorted(self._resumed & self._open.keys())]


def _closed_ns(incident: Incident) -> int:
    return incident.closed_ns or 0
