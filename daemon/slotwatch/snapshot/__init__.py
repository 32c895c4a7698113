"""The one value that page, API, metrics, history and report read. Judging makes it, some times a second."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from enum import IntEnum, StrEnum
from operator import attrgetter
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from slotwatch.snapshot.columns import Columns
from slotwatch.snapshot.counters import Counters
from slotwatch.snapshot.elsewhere import HeardElsewhere, ListenerRow
from slotwatch.snapshot.health import ListenerHealth
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.snapshot.readiness import Readiness
from slotwatch.snapshot.rig_check import RigCheckRow
from slotwatch.snapshot.routes import RouteRow
from slotwatch.snapshot.slot_owners import SlotOwners
from slotwatch.snapshot.stage import LampHours, RackRow, ReceiverRow
from slotwatch.snapshot.switches import LastShowRow, PlaceRow, SwitchRow


class Severity(IntEnum):
    """Severity of an alert. A larger value is more severe."""

    NOTE = 1
    WARNING = 2
    CRITICAL = 3

    @property
    def word(self) -> str:
        return self.name.lower()


class UniverseState(IntEnum):
    """What a universe is shown as. The history stores the numbers, so they stay; `rank` orders them."""

    STEADY = 0
    AT_REST = 1
    NOT_VISIBLE = 2
    NOT_JUDGED = 3
    NOT_SENT = 4
    """No source sends it, and none has to."""
    FAULTY = 5
    """Something is wrong with it now."""
    MISSING = 6
    LOST = 7
    ON_BACKUP = 8
    """A declared backup carries it because a main source is silent."""
    RETURNING = 9
    """It is back, and is watched until its incident closes."""

    @property
    def word(self) -> str:
        return self.name.lower().replace("_", "-")

    @property
    def rank(self) -> int:
        """Return the place among all states, the worst last."""
        return int(STATE_RANKS[self])


STATE_RANKS = np.array([0, 1, 2, 3, 4, 7, 8, 9, 6, 5], np.uint8)
"""Rank of each `UniverseState` by its number: where several states fit, the higher rank is shown."""


def worse_states(one: NDArray[np.uint8], other: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the worse of two arrays of `UniverseState`, element by element."""
    return np.where(STATE_RANKS[other] > STATE_RANKS[one], other, one)


class Confidence(StrEnum):
    CERTAIN = "certain"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(slots=True)
class SourceRow:
    """One sender as it was heard."""

    protocol: int
    source_id: bytes
    """16 bytes: CID; Art-Net: zeros and the physical port."""
    address: str
    network: int
    source_name: str
    declared_as: str = ""
    role: str = ""
    first_seen_ns: int = 0
    last_seen_ns: int = 0
    listed: tuple[int, ...] | None = None
    """Universes of its last complete discovery list; None: sends none."""
    listed_at_ns: int = 0
    odd: tuple[str, ...] = ()
    """Words of `wire.reject.Odd` that its packets carried."""
    addresses: tuple[str, ...] = ()
    """All addresses with the same CID, where there are several."""
    renamed_from: str = ""
    """Name by which it was found to be a declared source, where it has since changed it; else empty."""
    mac: str = ""
    """Device address that claims `address` on this network, as the kernel's neighbour table has it."""
    place: PlaceRow | None = None
    """Switch port that it is connected to, where a switch knows it."""


TIMELINE_WORDS = (
    *("began", "opened", "revised", "widened", "eased", "worsened"),
    *("acknowledged", "accepted", "resumed", "returned", "closed", "clock"),
)
"""What a moment of an incident can be. `resumed`: judging was restarted while it was open; `clock`: the wall clock was
set."""


@dataclass(slots=True)
class TimelineEntry:
    """What was known, or done, at one moment of an incident."""

    t_ns: int
    text: str
    what: str
    """One of TIMELINE_WORDS."""


@dataclass(slots=True)
class Acknowledgement:
    by: str
    at_ns: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class NeighbourRow:
    """The device at the other end of one of this listener's leads, as it announces itself by LLDP."""

    network: str
    switch: str
    port: str
    description: str
    chassis: str
    management_address: str
    vlan: int | None
    last_seen_ns: int


LegState = Literal["live", "silent", "terminated"]


@dataclass(frozen=True, slots=True)
class IncidentLeg:
    """One source of an incident on one network: evidence of where it continued and where it did not."""

    source: str
    network: str
    state: LegState
    """live: it continued there | silent: it fell silent there | terminated: it sent that it stops."""


@dataclass(slots=True)
class Incident:
    """One fault with one cause, however many universes it takes down. Times are monotonic nanoseconds."""

    id: int
    rule: str
    severity: Severity
    cause: str
    confidence: Confidence
    began_ns: int
    opened_ns: int
    closed_ns: int | None = None
    universes: tuple[str, ...] = ()
    """As they are written, `e131/12` or `e131/12@A`."""
    sources: tuple[str, ...] = ()
    """What people call them; `source_keys` also distinguishes those that call themselves the same."""
    fixtures: tuple[str, ...] = ()
    summary: str = ""
    evidence: tuple[str, ...] = ()
    explains: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """(rule, universes) of what this incident explains and what is not raised separately."""
    also_possible: tuple[str, ...] = ()
    still_working: tuple[str, ...] = ()
    next_checks: tuple[str, ...] = ()
    acknowledged: Acknowledgement | None = None
    timeline: tuple[TimelineEntry, ...] = ()
    returned_ns: int | None = None
    """When all of it was back, while it is watched and after; None while some of it lasts."""
    labels: tuple[tuple[str, str], ...] = ()
    """(universe, its label in the house file) of the universes that have one."""
    accepted: str = ""
    """Reason of the exception that keeps it a note; empty if none."""
    accepted_until: str = ""
    """When that exception ends; empty: it does not."""
    accepted_by: str = ""
    flaps: int = 0
    back_ns: int = 0
    """How often it was gone again, and the time in which all of it was back before: no part of its length."""
    revision: int = 0
    """Rises with each change, so that history and listeners know what they have."""
    wall_offset_ns: int = 0
    """Wall = t_ns + this, for this incident's times; survives a restart."""
    source_keys: tuple[str, ...] = ()
    """`wire.universe.source_key` of each; of a declared one that was never heard its declared CID, else its name."""
    heard_elsewhere: tuple[HeardElsewhere, ...] = ()
    legs: tuple[IncidentLeg, ...] = ()
    group: str = ""
    """What makes it this fault and no other of its rule, where it names neither universe nor source."""
    part_of: int = 0
    """Number of the wider incident that it became part of; 0: of none."""
    outage: str = ""
    """When no levels came on universes that only miss a source now, as the first line of its evidence says it."""
    known_as: str = ""
    """The rule that metrics give it: its present one, but a loss of universes keeps its first one."""
    settled_as: tuple[str, str, str] = ("", "", "")
    """Rule, cause and universe (empty: several, or none) some seconds after it opened: an alert keeps them."""
    controlled_by: tuple[tuple[str, str], ...] = ()
    """(universe, who controls it now, if not only the sources that should), as a phrase: `a stranger`."""
    paces_hz: tuple[tuple[str, float], ...] = ()
    """(universe, rate at which its frames came before they were too slow), to know them by after a restart."""

    def copy(self) -> Incident:
        """Give it as it is now: it will change."""
        return Incident(*_values_of(self))


_values_of = attrgetter(*(one.name for one in fields(Incident)))


@dataclass(slots=True)
class HouseView:
    """What is true of the whole house and of this listener."""

    name: str
    phase: str
    phase_since_ns: int
    vantage: str
    networks: tuple[str, ...]
    house_file: str = ""
    house_problems: tuple[str, ...] = ()
    """Faults of a refused reload; empty when the running file is the file on disk."""
    listener: ListenerHealth = field(default_factory=ListenerHealth)
    phase_pending: str = ""
    """A phase with lower severities that the timetable asks for and a person has to confirm."""
    quiet_until_ns: int | None = None
    phase_timetable_wall_ns: int | None = None
    """When the timetable's change was due that was taken last; None: none was."""
    last_show: LastShowRow | None = None
    """What the history keeps of the last show; None: there was none yet."""


@dataclass(frozen=True, slots=True)
class PhaseMemory:
    """The phase of a judgement that has ended, on the wall clock."""

    phase: str
    since_wall_ns: int
    pending: str = ""
    timetable_wall_ns: int | None = None


@dataclass(frozen=True, slots=True)
class MadeException:
    """An exception that a person made from an incident. Times are wall-clock ns."""

    incident: int
    rule: str
    universes: tuple[str, ...]
    """As they are written; empty: the rule has none, and `sources` count."""
    sources: tuple[str, ...]
    """`wire.universe.source_key` of each."""
    reason: str
    by: str
    made_wall_ns: int
    until_wall_ns: int

    @classmethod
    def of(cls, found: Incident, reason: str, by: str, made_wall_ns: int, until_wall_ns: int) -> MadeException:
        """Of an incident: its rule on its universes, or of its sources where it has none."""
        sources = () if found.universes else found.source_keys
        return cls(found.id, found.rule, found.universes, sources, reason, by, made_wall_ns, until_wall_ns)

    @property
    def until(self) -> str:
        """Its end as ISO 8601 UTC."""
        return datetime.fromtimestamp(self.until_wall_ns // 1_000_000_000, UTC).isoformat().replace("+00:00", "Z")


@dataclass(slots=True)
class Snapshot:
    """Everything that can be shown, at one moment. `snapshot.columns` says what the arrays hold."""

    sequence: int
    now_ns: int
    wall_offset_ns: int
    started_ns: int
    house: HouseView
    universes: Columns
    universe_names: tuple[str, ...]
    universe_labels: tuple[str, ...]
    streams: Columns
    sources: tuple[SourceRow, ...]
    levels: NDArray[np.uint8]
    """(U, 512) the levels that a conforming receiver of each universe gets."""
    slot_owners: SlotOwners
    """Rows of `streams` (at most 8,192) that win each slot."""
    incidents: tuple[Incident, ...]
    """All open ones, and the newest closed ones."""
    exceptions: tuple[MadeException, ...] = ()  # made from incidents and in force
    next_incident: int = 1
    """The number that the next incident gets."""
    counters: Counters = field(default_factory=Counters)
    minutes: tuple[MinuteRow, ...] = ()
    """Rows of the last few finished minutes; a reader keeps what it does not have yet."""
    receivers: tuple[ReceiverRow, ...] = ()
    neighbours: tuple[NeighbourRow, ...] = ()
    listeners: tuple[ListenerRow, ...] = ()
    """Other listeners of the house, and whether each is reached."""
    switches: tuple[SwitchRow, ...] = ()
    racks: tuple[RackRow, ...] = ()
    rig_check: RigCheckRow | None = None
    hours: tuple[LampHours, ...] = ()
    routes: tuple[RouteRow, ...] = ()
    readiness: Readiness = field(default_factory=Readiness)
    interval_bins: NDArray[np.uint16] | None = None
    """(streams, bins) how many of each stream's newest intervals are in each bin of `model.cadence.BIN_EDGES_MS`."""
