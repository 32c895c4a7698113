"""Decides what one recipient is sent, from one moment of the house after the other. Time is the snapshot's.

One message an incident, however many universes it takes down. What opens and what ends within a burst is summed up in
one message. A message is due once the incident lasted `after_s`, in a phase and from a severity that the recipient
asked for, while no quiet window holds it and nobody has acknowledged or accepted it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TypedDict

from slotwatch.durations import NANOSECONDS
from slotwatch.house.outgoing import NoticeTerms
from slotwatch.house.schema import House
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.incidents import SETTLE_NS
from slotwatch.judge.phases import quiet_window
from slotwatch.snapshot import Incident, Severity, Snapshot
from slotwatch.views.moments import wall_moment
from slotwatch.views.notice import Notice, NoticeScene, incident_key, no_longer_known, single, summed_up

BURST = 5
"""Messages of one recipient within BURST_NS; what would be more is summed up."""
BURST_NS = 60 * NANOSECONDS
VANISHED_NS = 120 * NANOSECONDS
"""An incident that judging has not known for this long is over. A restart takes less."""
MOST_SENT = 4096
_PART_OF = re.compile(r"incident (\d+)")


def scene_of(snapshot: Snapshot, house: House, page: str) -> NoticeScene:
    """One moment of the house, for all recipients."""
    wall_ns = snapshot.now_ns + snapshot.wall_offset_ns
    at = wall_moment(wall_ns)
    held = (name for name, rule in CATALOG.items() if quiet_window(house, rule, at) is not None) if house.quiet else ()
    return NoticeScene(
        house.name, snapshot.house.phase, wall_ns, snapshot.incidents, frozenset(held), house.time_zone, page
    )


@dataclass(slots=True)
class SentIncident:
    """What this recipient got about one incident."""

    severity: int
    summary: str
    count: int = 1
    """Messages about it."""
    last_ns: int = 0
    """Monotonic; of this process alone: after a restart a repetition waits its whole time."""
    vanished_ns: int = 0


class PlanMemory(TypedDict):
    """What must outlive a restart of one recipient's plan, as it is on the disk."""

    told: dict[str, tuple[int, int, str]]
    """Severity, count and summary of each incident that was sent, by its key."""
    summaries: int


@dataclass(frozen=True, slots=True)
class _Due:
    kind: str
    key: str
    incident: Incident
    extra: str = ""


class NoticePlan:
    """The decisions for one recipient. `kept` is what must outlive a restart, so that nothing is sent twice."""

    def __init__(self, recipient: str, terms: NoticeTerms, kept: PlanMemory | None = None) -> None:
        self.recipient = recipient
        self.terms = terms
        self._sent: dict[str, SentIncident] = {}
        self._singles_ns: list[int] = []
        self._summed_ns: int | None = None
        self._summaries = 0
        self._waiting: set[str] = set()
        """What was due and had to wait for a summary."""
        self._missed = 0
        self._folded: dict[str, list[int]] = {}
        """Incidents that were sent and became part of another one, by that one's key."""
        if kept:
            self._summaries = kept["summaries"]
            for key, (severity, count, summary) in kept["told"].items():
                self._sent[key] = SentIncident(severity, summary, count, -1)

    def kept(self) -> PlanMemory:
        """Plain values for the disk; the constructor reads them back."""
        sent = {key: (one.severity, one.count, one.summary) for key, one in self._sent.items()}
        return {"told": sent, "summaries": self._summaries}

    def decide(self, scene: NoticeScene, now_ns: int) -> list[Notice]:
        """The messages that are due now. Their content is noted as sent."""
        by_key = {incident_key(one): one for one in scene.incidents}
        gone = self._gone(scene, by_key, now_ns)
        due = [*self._ended(by_key), *self._open(scene, by_key, now_ns)]
        self._note_missed(by_key, due)
        self._singles_ns = [at_ns for at_ns in self._singles_ns if now_ns - at_ns < BURST_NS]
        if not self._missed and len(due) <= BURST - len(self._singles_ns):
            self._waiting.clear()
            self._singles_ns += [now_ns] * len(due)
            return [*gone, *(self._single(scene, one, now_ns) for one in due)]
        if self._summed_ns is not None and now_ns - self._summed_ns < BURST_NS:
            self._waiting |= {one.key for one in due if one.kind == "opened"}
            return gone
        return gone + self._sum_up(scene, due, now_ns)

    def _open(self, scene: NoticeScene, by_key: dict[str, Incident], now_ns: int) -> list[_Due]:
        if self.terms.phases and scene.phase not in self.terms.phases:
            return []
        found = []
        wait_ns = max(SETTLE_NS, int(self.terms.after_s * NANOSECONDS))
        repeat_ns = int(self.terms.repeat_min * 60 * NANOSECONDS)
        for key, one in by_key.items():
            if not self._is_wanted(one) or one.rule in scene.held_rules:
                continue
            sent = self._sent.get(key)
            if sent is None:
                if now_ns - one.opened_ns >= wait_ns:
                    found.append(_Due("opened", key, one))
            elif one.severity > sent.severity:
                found.append(_Due("worsened", key, one))
            elif repeat_ns:
                if sent.last_ns < 0:
                    sent.last_ns = now_ns
                elif now_ns - sent.last_ns >= repeat_ns:
                    found.append(_Due("repeated", key, one))
        found.sort(key=lambda one: (-one.incident.severity, one.incident.opened_ns))
        return found

    def _is_wanted(self, one: Incident) -> bool:
        is_known = one.accepted or one.acknowledged is not None
        return one.closed_ns is None and not is_known and one.severity >= Severity[self.terms.severity.upper()]

    def _gone(self, scene: NoticeScene, by_key: dict[str, Incident], now_ns: int) -> list[Notice]:
        """What was sent and is no longer known, after a restart with another history."""
        found = []
        for key, sent in list(self._sent.items()):
            if key in by_key:
                sent.vanished_ns = 0
                continue
            sent.vanished_ns = sent.vanished_ns or now_ns
            if now_ns - sent.vanished_ns >= VANISHED_NS:
                del self._sent[key]
                if self.terms.resolved:
                    found.append(no_longer_known(scene, self.recipient, key, sent.summary))
        return found

    def _ended(self, by_key: dict[str, Incident]) -> list[_Due]:
        found = []
        for key in list(self._sent):
            one = by_key.get(key)
            if one is None or one.closed_ns is None:
                continue
            whole = self._whole(one, by_key)
            whole_key = incident_key(whole) if whole is not None else ""
            if whole is not None and (self._is_wanted(whole) or whole_key in self._sent):
                # It is part of another incident now: a message that it is over would mislead.
                del self._sent[key]
                if whole_key not in self._sent:
                    self._folded.setdefault(whole_key, []).append(one.id)
            elif self.terms.resolved:
                extra = f"It is now part of incident {whole.id}: {whole.summary}" if whole is not None else ""
                found.append(_Due("resolved", key, one, extra))
            else:
                del self._sent[key]
        return found

    @staticmethod
    def _whole(one: Incident, by_key: dict[str, Incident]) -> Incident | None:
        """The incident that this one turned out to be a part of."""
        closing = next((entry.text for entry in reversed(one.timeline) if entry.what == "closed"), "")
        number = _PART_OF.search(closing)
        if number is None:
            return None
        wanted = int(number[1])
        others = (other for other in by_key.values() if other.id == wanted and other.closed_ns is None)
        return next((other for other in others if other is not one), None)

    def _note_missed(self, by_key: dict[str, Incident], due: list[_Due]) -> None:
        still = {one.key for one in due}
        for key in [key for key in self._waiting if key not in still]:
            self._waiting.discard(key)
            one = by_key.get(key)
            self._missed += one is None or one.closed_ns is not None

    def _single(self, scene: NoticeScene, due: _Due, now_ns: int) -> Notice:
        sent = self._sent.get(due.key)
        number = 1 if sent is None else sent.count + 1
        folded = self._folded.get(due.key, [])
        self._note(due, now_ns)
        occasion = f"{due.kind}|{due.incident.flaps}|{number}"
        return single(scene, self.recipient, due.kind, due.incident, occasion, due.extra, folded)

    def _sum_up(self, scene: NoticeScene, due: list[_Due], now_ns: int) -> list[Notice]:
        over = [one.incident for one in due if one.kind == "resolved"]
        opened = [one.incident for one in due if one.kind != "resolved"]
        self._summaries += 1
        made = summed_up(
            scene, self.recipient, opened, over, self._missed, f"summary|{self._summaries}|{scene.wall_ns // 1_000_000}"
        )
        for one in due:
            self._note(one, now_ns)
        self._summed_ns, self._missed = now_ns, 0
        self._waiting.clear()
        return [made]

    def _note(self, due: _Due, now_ns: int) -> None:
        sent = self._sent.pop(due.key, None)
        self._folded.pop(due.key, None)
        if due.kind == "resolved":
            return
        count = 1 if sent is None else sent.count + 1
        self._sent[due.key] = SentIncident(int(due.incident.severity), due.incident.summary, count, now_ns)
        while len(self._sent) > MOST_SENT:
            self._sent.pop(next(iter(self._sent)))
        while len(self._folded) > MOST_SENT:
            self._folded.pop(next(iter(self._folded)))
