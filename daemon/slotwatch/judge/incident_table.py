"""The open incidents and the newest closed ones: found by number or slot, closed, and what people note on them."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from slotwatch.judge import wording
from slotwatch.judge.drafts import IncidentDraft, IncidentRecord, Slot
from slotwatch.judge.events import NOT_BACK, Event, how_long, is_given_up
from slotwatch.judge.flapping import Flapping
from slotwatch.judge.rule import Rule
from slotwatch.snapshot import Acknowledgement, Incident, MadeException, TimelineEntry

MOST_CLOSED = 512
MOST_ENTRIES = 64
"""Entries of one timeline; the first and the newest are kept."""


class IncidentTable:
    """All incidents: the open ones, and the newest closed ones."""

    def __init__(self, wall_offset_ns: int, rules: Sequence[Rule] = ()) -> None:
        """rules: those that are judged; `flapping` among them gives its numbers, else the published ones count."""
        self._flapping = Flapping.of(rules)
        self.next_id = 1
        self.revisions = 0
        """Entries that timelines have been given so far."""
        self.wall_offset_ns = wall_offset_ns
        self._open: dict[int, IncidentRecord] = {}
        self._closed: deque[IncidentRecord] = deque(maxlen=MOST_CLOSED)
        self._resumed: set[int] = set()
        self._events: list[Event] = []
        self._now_ns = 0
        self._drafted: set[Slot] = set()
        """Slots of all drafts of this pass."""
        self._claimed: set[Slot] = set()
        """Those of drafts that last."""
        self._returned: set[Slot] = set()
        """Those of drafts of what is back."""
        self._raised: set[Slot] = set()
        """Rule and universe of all that is an incident of its own now."""
        self._parted: dict[Slot, list[IncidentDraft]] = {}
        """Rule and universe of what is lost or troubled now, by one cause or several: the drafts that name it."""
        self._took_over = False

    # --- reading --------------------------------------------------------------------------------------

    def open_incidents(self) -> list[Incident]:
        return [entry.incident for entry in self._open.values()]

    def closed_incidents(self) -> list[Incident]:
        return [entry.incident for entry in self._closed]

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

    def returned_ns(self, number: int) -> int:
        """When all of a closed incident was back; 0: it did not come back, or is not known."""
        found = (entry.incident.returned_ns for entry in reversed(self._closed) if entry.incident.id == number)
        return next(found, None) or 0

    def key_of(self, number: int) -> Slot | None:
        entry = self._open.get(number)
        return entry.slot if entry else None

    def number_of(self, slot: Slot) -> int | None:
        return next((number for number, entry in self._open.items() if entry.slot == slot), None)

    def earlier_began_ns(self, slot: Slot, *, lasts: bool) -> int:
        """When the incident of this slot began, if that was before a restart and it has lasted since; else 0.

        lasts: whether its fault is there now.
        """
        entry = next((entry for entry in self._open.values() if entry.slot == slot), None)
        if entry is None or (lasts and entry.incident.returned_ns is not None):
            return 0
        return entry.earlier_began_ns

    @property
    def due_ns(self) -> int | None:
        """When the next incident that only waits for its minute of quiet is over."""
        return min(
            (entry.held_ns + self._flapping.quiet_ns for entry in self._open.values() if entry.calm_ns), default=None
        )

    def hold(self, now_ns: int) -> None:
        """Take note that what held in the last pass still does."""
        for entry in self._open.values():
            if entry.held_ns == self._now_ns:
                entry.held_ns = now_ns
        self._now_ns = now_ns

    @property
    def resumed(self) -> set[int]:
        """Numbers of what was open before a restart and was not found again yet."""
        return self._resumed

    def calm_incidents(self) -> list[Incident]:
        """Incidents that are open only because they came and went too often just now."""
        return [entry.incident for entry in self._open.values() if entry.calm_ns]

    # --- changing -------------------------------------------------------------------------------------

    def _close(self, entry: IncidentRecord, now_ns: int, text: str = "", part_of: int = 0) -> None:
        """part_of: number of the wider incident that it became part of."""
        incident = entry.incident
        if incident.id in self._resumed:
            return
        del self._open[incident.id]
        entry.calm_ns = 0
        incident.closed_ns, incident.part_of = now_ns, part_of
        entry.end(self._flapping.opens_often(entry.openings))
        if not text and not part_of and is_given_up(incident):
            entry.give_up(NOT_BACK)
        self._closed.append(entry)
        self._record(entry, now_ns, "closed", text or how_long(incident))

    def _record(self, entry: IncidentRecord, t_ns: int, what: str, text: str) -> None:
        incident = entry.incident
        timeline = [*incident.timeline, TimelineEntry(t_ns, text, what)]
        if len(timeline) > MOST_ENTRIES:
            timeline = timeline[:2] + timeline[-MOST_ENTRIES + 2 :]
        incident.timeline = tuple(timeline)
        incident.revision += 1
        self.revisions += 1
        self._events.append(Event(t_ns, what, text, incident.copy()))

    def take_clock(self, wall_offset_ns: int, now_ns: int, *, is_recording: bool = False) -> None:
        """Date what opens from now on by the wall clock as it is now: wall clock minus monotonic clock.

        What is open keeps the clock that it began with. If the clock was set, it says so.
        is_recording: whether it is the clock of the computer that made a recording.
        """
        step_ns, self.wall_offset_ns = wall_offset_ns - self.wall_offset_ns, wall_offset_ns
        if abs(step_ns) < wording.SAID_STEP_NS:
            return
        was_set = wording.clock_was_set(step_ns, "the recording computer" if is_recording else "this computer")
        self._events.append(Event(now_ns, "clock", was_set))
        for entry in self._open.values():
            self._record(entry, now_ns, "clock", f"{was_set} Times of this incident are by the clock as it was.")

    # --- people ---------------------------------------------------------------------------------------

    def acknowledge(self, number: int, by: str, note: str, now_ns: int) -> Incident:
        """Note who acknowledged an incident. ValueError if it does not exist."""
        entry = self._entry(number)
        entry.incident.acknowledged = Acknowledgement(by, now_ns, note)
        self._record(entry, now_ns, "acknowledged", f"Acknowledged by {by}{': ' + note if note else ''}.")
        return entry.incident

    def unacknowledge(self, number: int, now_ns: int) -> Incident:
        """Take an acknowledgement back."""
        entry = self._entry(number)
        if entry.incident.acknowledged is not None:
            by = entry.incident.acknowledged.by
            entry.incident.acknowledged = None
            self._record(entry, now_ns, "acknowledged", f"The acknowledgement by {by} was taken back.")
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
        self._record(entry, now_ns, "accepted", text)

    def _entry(self, number: int) -> IncidentRecord:
        entry = self._open.get(number)
        if entry is None:
            entry = next((closed for closed in self._closed if closed.incident.id == number), None)
        if entry is None:
            raise ValueError(f"there is no incident {number}")
        return entry
