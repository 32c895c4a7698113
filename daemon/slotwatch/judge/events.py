"""What the judge tells logs and alerts: one value for each thing that changed."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.snapshot import Incident

NAMED = 3
"""Universes that a line of the log names."""


@dataclass(frozen=True, slots=True)
class Event:
    """An incident was opened, revised, widened, worsened, eased, acknowledged, returned or closed; or `phase`."""

    t_ns: int
    what: str
    text: str
    incident: Incident | None = None
    """As it stood then: a copy that is never changed."""

    @property
    def line(self) -> str:
        """One line of a log, which names the incident: `closed #12 e131/3: lost for 4.6 s`."""
        if self.incident is None:
            return f"{self.what}: {self.text}"
        named = ", ".join(self.incident.universes[:NAMED])
        more = f" and {len(self.incident.universes) - NAMED} more" if len(self.incident.universes) > NAMED else ""
        return f"{self.what} #{self.incident.id} {named or self.incident.rule}{more}: {self.text}"
