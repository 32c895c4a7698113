"""What the judge tells logs and alerts: one value for each thing that changed."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.snapshot import Incident


@dataclass(frozen=True, slots=True)
class Event:
    """An incident was opened, revised, widened, worsened, eased, acknowledged, returned or closed; or `phase`."""

    t_ns: int
    what: str
    text: str
    incident: Incident | None = None
    """As it stood then: a copy that is never changed."""
