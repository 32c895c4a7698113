"""The house, its fixtures, racks, routes; the report; answers to orders."""

from __future__ import annotations

from typing import Annotated, NotRequired, TypedDict

from msgspec import Meta

from slotwatch.views.answers.listener import ListenerHealthAnswer
from slotwatch.views.answers.words import Count, Level, Moment, PhaseWord, SeverityWord, SlotNumber, UniverseName


class CountsAnswer(TypedDict):
    """How many universes are in each state, and how many incidents of each severity are open."""

    universes: Annotated[dict[str, int], Meta(description="By state.")]
    incidents: Annotated[dict[str, int], Meta(description="Open, by severity.")]
    acknowledged: Count
    controlled_by_others: Annotated[
        Count,
        Meta(description="Universes that arrive and that others control, alone or beside the sources that should."),
    ]


class HouseAnswer(TypedDict):
    """The house and this listener's own health."""

    name: str
    phase: PhaseWord
    phase_since: Moment | None
    phase_pending: str
    version: str
    vantage: str
    networks: list[str]
    uptime_s: Count
    started_at: Moment | None
    at: Moment
    host: str
    time_zone: str
    house_file: str
    declares_nothing: Annotated[bool, Meta(description="Whether it runs without a house file.")]
    faults: Annotated[list[str], Meta(description="Faults of a house file that was refused.")]
    quiet_until: Moment | None
    counts: CountsAnswer
    subscribes: bool
    sends: Annotated[list[str], Meta(description="Where routes send now.")]
    listener: ListenerHealthAnswer


class NoticeTestAnswer(TypedDict):
    """The result of a test message to one recipient."""

    name: str
    sent: Annotated[bool, Meta(description="Whether the receiver's service took it.")]
    text: Annotated[str, Meta(description="Why not, as the end of a sentence; else empty.")]


class SlotAnswer(TypedDict):
    """One slot of a fixture."""

    slot: SlotNumber
    role: str
    level: Level | None


class FixtureAnswer(TypedDict):
    """A patched fixture with the levels that reach it."""

    fixture: str
    label: str
    universe: UniverseName
    address: SlotNumber
    last_slot: SlotNumber
    footprint: int
    profile: str
    position: str
    circuit: str
    faces_audience: bool
    levels: Annotated[dict[str, int | None], Meta(description="By role.")]
    lit: bool
    slots: list[SlotAnswer]


class SpaceAnswer(TypedDict):
    """Used and free slots of a universe."""

    universe: UniverseName
    label: str
    fixtures: Count
    used: Count
    free_slots: Count
    free: Annotated[list[list[SlotNumber]], Meta(description="[first, last] of each run.")]
    unsized: Annotated[
        Count, Meta(description="Fixtures whose number of slots is not known: some of `free` may be theirs.")
    ]


class ConflictAnswer(TypedDict):
    """Something wrong with the declared patch."""

    kind: str
    severity: SeverityWord
    text: str
    universe: NotRequired[UniverseName | None]
    universes: NotRequired[list[UniverseName]]
    slots: list[int] | None
    fixtures: list[str]
    file: str
    row: int | None


class PatchAnswer(TypedDict):
    """The patch by universe."""

    fixtures: Count
    universes: list[SpaceAnswer]
    conflicts: list[ConflictAnswer]


class WayAnswer(TypedDict):
    """One way of a rack. Currents are estimates."""

    way: int
    supply: int
    circuit: str
    module: str
    level: Level
    estimated_a: float | None
    full_a: float
    limit_a: float | None


class SupplyAnswer(TypedDict):
    """One supply line of a rack. Currents are estimates."""

    supply: int
    estimated_a: float | None
    worst_a: float
    full_a: float
    limit_a: float | None


class RackAnswer(TypedDict):
    """A rack. Its currents are estimates from the declared loads, never measurements."""

    rack: str
    universe: UniverseName
    known: bool
    volts: float
    ways: NotRequired[
        Annotated[list[WayAnswer], Meta(description="Left out of a list of racks whose ways are counted.")]
    ]
    ways_declared: Count
    ways_above_zero: Count
    ways_judged: Annotated[Count, Meta(description="Ways with a declared limit and an estimate.")]
    ways_over_limit: Annotated[list[int], Meta(description="Ways whose estimate is over their limit.")]
    supplies: list[SupplyAnswer]
    neutral_upper_a: float | None
    neutral_limit_a: float | None
    imbalance_percent: float | None
    note: str


class LatencyAnswer(TypedDict):
    """How long routed frames took."""

    edges_s: list[float]
    counts: list[int]
    sum_s: float


class LatencyShareAnswer(TypedDict):
    """Percentiles, milliseconds."""

    p50: float | None
    p99: float | None


class LinePortAnswer(TypedDict):
    """The serial port that a route sends to."""

    port: str
    frames: Count
    open: bool
    trouble: str
    reopened: Count


RouteAnswer = TypedDict(
    "RouteAnswer",
    {
        "route": str,
        "from": UniverseName,
        "to": str,
        "to_network": str,
        "state": str,
        "text": str,
        "trouble": str,
        "for_s": float,
        "frames": Count,
        "latency_ms": LatencyShareAnswer,
        "latency": LatencyAnswer,
        "held": bool,
        "all_zero": bool,
        "then": str,
        "priority": int,
        "input_refused_packets": Count,
        "input_discarded_packets": Count,
        "line": NotRequired[LinePortAnswer],
    },
)


class RigFixtureAnswer(TypedDict):
    """A fixture of a rig check."""

    fixture: str
    label: str
    universe: UniverseName
    address: SlotNumber
    position: str
    circuit: str
    at: NotRequired[Moment | None]


class RigPlaceAnswer(TypedDict):
    """Fixtures of one position."""

    position: str
    fixtures: list[RigFixtureAnswer]


class RigFlagAnswer(TypedDict):
    """Fixtures that came up together."""

    fixtures: list[str]
    fixture: str
    text: str
    at: Moment | None


class RigCheckAnswer(TypedDict):
    """The rig check that runs or ran last. `done` lists what was commanded: the light itself is not seen."""

    running: bool
    started_at: NotRequired[Moment | None]
    started_wall_ms: NotRequired[int]
    total: NotRequired[int]
    done: NotRequired[list[RigFixtureAnswer]]
    left: NotRequired[list[RigPlaceAnswer]]
    circuits_left: NotRequired[list[str]]
    flagged: NotRequired[list[RigFlagAnswer]]
    note: NotRequired[str]


class HoursAnswer(TypedDict):
    """Hours burnt by a circuit or a fixture: estimates."""

    circuit: NotRequired[str]
    fixture: NotRequired[str]
    on_h: float
    full_equivalent_h: float
    switched_on: Count
    rated_life_h: float | None
    band: str | None


class PhaseSetAnswer(TypedDict):
    """The phase that is in force."""

    phase: PhaseWord
    stored: Annotated[bool, Meta(description="Whether it is on the disk.")]


class ReloadedAnswer(TypedDict):
    """The house file was read again."""

    reloaded: bool
    name: NotRequired[str]


class RigOrderAnswer(TypedDict):
    """A rig check that began or ended."""

    running: bool
    total: NotRequired[int]
    left: NotRequired[list[str]]
    stored: Annotated[bool, Meta(description="Whether it is on the disk.")]


class LampAnswer(TypedDict):
    """The circuit or fixture whose hours begin again."""

    stored: Annotated[bool, Meta(description="Whether it is on the disk.")]
    circuit: NotRequired[str]
    fixture: NotRequired[str]


class AskedAnswer(TypedDict):
    """Fixtures are asked, or no longer."""

    asking: NotRequired[bool]
    stopped: NotRequired[bool]
