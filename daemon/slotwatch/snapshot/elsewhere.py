"""Other listeners of the house, and what they hear of an incident's universes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ListenerRow:
    """Another listener of the house, as it was reached last."""

    name: str
    url: str
    own_name: str
    """What this listener is called there."""
    reached: bool
    compared: bool
    """Whether its last answer is new enough to be evidence."""
    reason: str
    """Why it is not reached; empty if it is."""
    last_reached_ns: int
    """0: never."""
    streams: int


@dataclass(frozen=True, slots=True)
class UniverseElsewhere:
    """How one universe stood at another listener. Times are wall-clock ns of this computer: no clock is shared."""

    universe: str
    goes_on: bool
    last_wall_ns: int
    """Time of its newest frame there, by its age there; 0: none was heard."""


@dataclass(frozen=True, slots=True)
class HeardElsewhere:
    """The state of an incident's universes at another listener."""

    listener: str
    state: str
    """steady: all of them continue there | lost: none does | faulty: some do | not-visible | not-judged."""
    last_frame_age_s: float | None
    """Age of the last frame of the universe that is silent longest there, when the state became this; None: none was
    heard."""
    url: str = ""
    """Address of its page."""
    asked_wall_ns: int = 0
    """When it was asked for that."""
    universes: tuple[UniverseElsewhere, ...] = ()
    """Each of them, as far as they are few."""
