"""What the judge passes to logs and alerts: one value for each thing that changed."""

from __future__ import annotations

import re
from dataclasses import dataclass

from slotwatch.judge import wording
from slotwatch.snapshot import Incident

NAMED = 3
"""Universes that a line of the log names."""
_GONE = {"universe-lost": "lost for", "universe-missing": "missing for", "source-absent": "silent for"}

NOT_BACK = "It did not come back. slotwatch no longer waits for it."


def is_given_up(incident: Incident) -> bool:
    """Whether a closed incident is a loss that did not come back."""
    return incident.rule in _GONE and incident.returned_ns is None


def how_long(incident: Incident) -> str:
    """Say how long a closed incident's fault lasted, without the time in which it was watched after."""
    if is_given_up(incident):
        return NOT_BACK
    end_ns = incident.closed_ns if incident.returned_ns is None else incident.returned_ns
    span_ns = max(0, (end_ns or incident.began_ns) - incident.began_ns - incident.back_ns)
    return f"{_GONE.get(incident.rule, 'lasted')} {wording.seconds(span_ns)}"


@dataclass(frozen=True, slots=True)
class Event:
    """An incident was opened, revised, widened, worsened, eased, acknowledged, returned or closed; or `phase` or
    `clock`."""

    t_ns: int
    what: str
    text: str
    incident: Incident | None = None
    """As it stood then: a copy that is never changed."""

    @property
    def line(self) -> str:
        """One line of a log. It names universes where the text does not: `closed #12 LED (e131/3): lost for 1 s`.
        What is opened has its severity: `opened #12 (critical): …`."""
        if self.incident is None:
            return f"{self.what}: {self.text}"
        severity = f" ({self.incident.severity.word})" if self.what == "opened" else ""
        what = f"{self.what} #{self.incident.id}{severity}"
        if any(re.search(rf"{re.escape(name)}(?![\w/])", self.text) for name in self.incident.universes[:1]):
            return f"{what}: {self.text}"
        labels = dict(self.incident.labels)
        first = self.incident.universes[:NAMED]
        named = ", ".join(f"{labels[name]} ({name})" if labels.get(name) else name for name in first)
        more = f" and {len(self.incident.universes) - NAMED} more" if len(self.incident.universes) > NAMED else ""
        return f"{what} {named or self.incident.rule}{more}: {self.text}"
