"""What the edge observes other than packets and hands to the engine: links, joins, drops, clocks, queriers.

Every observation carries its own monotonic time, so that a replay and a live run are the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import msgspec

from slotwatch.wire.switch import SwitchState


@dataclass(frozen=True, slots=True)
class LinkSeen:
    """Carrier and addresses of the interface of a network, at start and whenever they change."""

    t_ns: int
    network: int
    up: bool
    """Administratively up, with carrier."""
    addresses: tuple[str, ...]
    interface: str
    speed_mbps: int | None = None
    present: bool = True
    subnets: tuple[str, ...] = ()
    """Of its addresses, such as `10.20.0.0/16`."""


@dataclass(frozen=True, slots=True)
class JoinSeen:
    """Outcome of joining a universe's group (E1.31) on a network."""

    t_ns: int
    network: int
    universe: int
    ok: bool
    reason: str = ""
    """Sentence with the advice, if it failed."""


@dataclass(frozen=True, slots=True)
class LeaveSeen:
    """This computer left a universe's group (E1.31) on a network: it is no longer wanted here."""

    t_ns: int
    network: int
    universe: int


@dataclass(frozen=True, slots=True)
class DropsSeen:
    """Packets that never reached the judgement, cumulative since start, with where they were lost."""

    t_ns: int
    kernel: int
    """Socket buffer overflow (SO_RXQ_OVFL, SO_MEMINFO)."""
    ring: int = 0
    """Rows overwritten before this reader saw them."""
    damaged: int = 0
    """Arrived with a wrong UDP checksum: no loss of this computer."""
    since_ns: int = 0
    """When they were last found unchanged, monotonic: what is new was lost since then. 0: when they were last seen."""


@dataclass(frozen=True, slots=True)
class StallSeen:
    """The judging loop itself was late by this much, or the sockets were closed for this long."""

    t_ns: int
    late_ns: int
    unheard: bool = False
    """The sockets were closed: what came is gone. Else it waited, with its times of arrival."""


@dataclass(frozen=True, slots=True)
class ClockStepSeen:
    """The wall clock jumped against the monotonic clock."""

    t_ns: int
    step_ns: int


@dataclass(frozen=True, slots=True)
class QuerySeen:
    """An IGMP or MLD general query was heard."""

    t_ns: int
    network: int
    querier: str
    version: str
    """igmp1 | igmp2 | igmp3 | mld1 | mld2."""
    max_response_s: float
    interval_s: float | None = None
    """Querier's own interval, where v3 or MLDv2 states it."""


@dataclass(frozen=True, slots=True)
class MembershipSeen:
    """Another host joined or left a group."""

    t_ns: int
    network: int
    host: str
    group: str
    joined: bool
    version: str


@dataclass(frozen=True, slots=True)
class ReportsDropped:
    """Queries and reports that came faster than they are read."""

    t_ns: int
    network: int
    packets: int


@dataclass(frozen=True, slots=True)
class ArpCounted:
    """ARP packets that came since the last of these, where they are many. Few are not counted."""

    t_ns: int
    network: int
    senders: dict[str, int]
    """By the device address that the frame came from."""
    unread: int
    """Further ones, that came faster than they are read."""


@dataclass(frozen=True, slots=True)
class QuerierWatchSeen:
    """Whether queries can be watched at all on a network (needs the right to open a raw socket)."""

    t_ns: int
    network: int
    watched: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class NeighbourSeen:
    """A line of the neighbour table (ARP, NDP) or an ARP packet of a capture."""

    t_ns: int
    network: int
    address: str
    mac: str
    """Empty: it was asked for and did not answer."""
    reachable: bool
    """Whether it answered lately. False with a `mac`: it was not asked for a while, which does not mean that it is
    silent."""
    answered_ns: int = 0
    """When it last answered, where the table says so; 0: at `t_ns`, if it is reachable."""


@dataclass(frozen=True, slots=True)
class RouteSeen:
    """One route, as the bridge reports it."""

    name: str
    state: str
    """A word of `bridge.output.RouteState`."""
    target: str
    """Where it sends, in words: `artnet/3 to 10.20.0.41`."""
    source: str
    """Universe of its input."""
    trouble: str = ""
    """Why its serial port cannot be used, a sentence without its full stop; else empty."""


@dataclass(frozen=True, slots=True)
class RoutesSeen:
    """What the bridge reports of its routes, ten times a second."""

    t_ns: int
    """When it reported."""
    routes: tuple[RouteSeen, ...]
    began_ns: int = 0
    """When its process began: it changes when that is started again."""
    is_ending: bool = False
    """Whether it ends because it was asked to."""


@dataclass(frozen=True, slots=True)
class LineSeen:
    """Health of a tapped DMX512 line. Counters are since its port was opened for the first time."""

    t_ns: int
    number: int
    open: bool
    trouble: str = ""
    """Sentence with the advice while the port cannot be used."""
    faults: int = 0
    """Bytes with a framing fault, and bytes that no frame has room for."""
    breaks: int = 0
    received: int = 0
    """Bytes, faulty ones among them."""
    misframed: int = 0
    """Bytes with a framing fault."""


@dataclass(frozen=True, slots=True)
class UnreadSeen:
    """A recording holds packets of a network here that may be show data and cannot be read."""

    t_ns: int
    network: int


# What another listener answers is read straight into these, so each has its bound.
Text = Annotated[str, msgspec.Meta(max_length=256)]
Count = Annotated[int, msgspec.Meta(ge=0, le=2**53)]
Sequence = Annotated[int, msgspec.Meta(ge=0, le=255)]
Hertz = Annotated[float, msgspec.Meta(ge=0, le=1e6)]
Milliseconds = Annotated[float, msgspec.Meta(ge=0, le=1e12)]


class StreamElsewhere(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One stream as another listener hears it. The order of the fields is that of the compact answer it came in."""

    universe: Text
    """Without a network: `e131/12`."""
    network: Text
    """As that listener calls it."""
    source: Text
    """`wire.universe.source_key`."""
    sequence: Sequence | None
    """Last sequence number; None where the source does not count."""
    frames: Count
    missing: Count | None
    """By sequence number since that listener began; None where it cannot be measured."""
    age_ns: Count | None
    """Since its last frame, by that listener's own clock; None: none came."""
    state: Text
    """live | silent | terminated | preview-only."""
    judged: bool
    """Whether a silence says something there: its link is up, it has read all that came, and it asks for the stream."""
    name: Text = ""
    refresh_hz: Hertz | None = None
    wins: bool = False
    """Whether its universe's levels come from it there."""
    interval_max_ms: Milliseconds | None = None
    """Longest interval of its newest 512 frames."""


@dataclass(frozen=True, slots=True)
class ListenerSeen:
    """The result of one request to another listener. `t_ns` is when its answer was asked for."""

    t_ns: int
    name: str
    """As the house file calls it."""
    reached: bool
    reason: str = ""
    """Why it was not reached, as the end of a sentence."""
    streams: tuple[StreamElsewhere, ...] | None = None
    """None: nothing new since its last answer."""


@dataclass(frozen=True, slots=True)
class PortSeen:
    """The device at the other end of a network's lead announced itself (LLDP)."""

    t_ns: int
    network: int
    chassis: str
    port: str
    """As its switch calls it."""
    ttl_s: int
    """How long it holds; 0: the port is being shut down."""
    port_description: str = ""
    system_name: str = ""
    management_address: str = ""
    vlan: int | None = None


@dataclass(frozen=True, slots=True)
class LastShowSeen:
    """How leads and switch ports stood at the last show, out of the history. It replaces what was known before."""

    t_ns: int
    since_wall_ns: int
    """When that show began, on the wall clock."""
    leads: tuple[tuple[str, str, str, str], ...]
    """(network, chassis, port, the port in words) of each device that announced itself at a lead (LLDP)."""
    speeds: tuple[tuple[str, str, int], ...]
    """(switch, port, Mbit/s) of the ports that the show depends on."""


@dataclass(frozen=True, slots=True)
class AddressSeen:
    """A device showed its IP address by ARP, or by a packet of its own. That does not show whether it answers."""

    t_ns: int
    network: int
    address: str
    mac: str


@dataclass(frozen=True, slots=True)
class SwitchSeen:
    """The result of one poll of a switch. `t_ns` is when its up time was asked for."""

    t_ns: int
    name: str
    """As the house file calls it."""
    reached: bool
    reason: str = ""
    """Why it did not answer, as the end of a sentence."""
    state: SwitchState | None = None
    """None: it did not answer."""


@dataclass(frozen=True, slots=True)
class UsualFigure:
    """One figure over the shows of this house: median, median absolute deviation, least, most, and how many shows."""

    median: float
    mad: float
    lowest: float
    highest: float
    shows: int


@dataclass(frozen=True, slots=True)
class UsualOfUniverse:
    """What is usual on one universe; None: that is not known."""

    universe: str
    """As the history has it: with its network where the house has several."""
    source: str
    """`wire.universe.source_key` of the source that was in control in these shows."""
    sustained_hz: UsualFigure | None
    """The worst five minutes of each show: what their rate never reached, their 99th percentile never fell below."""
    sustained_p99_ms: UsualFigure | None
    sustained_missing_percent: UsualFigure | None
    interval_p50_ms: UsualFigure | None


@dataclass(frozen=True, slots=True)
class UsualSeen:
    """What is usual in this house, worked out of its history. It replaces what was usual before."""

    t_ns: int
    universes: tuple[UsualOfUniverse, ...]


Observation = (
    LinkSeen
    | JoinSeen
    | LeaveSeen
    | DropsSeen
    | StallSeen
    | ClockStepSeen
    | QuerySeen
    | MembershipSeen
    | ReportsDropped
    | ArpCounted
    | QuerierWatchSeen
    | NeighbourSeen
    | RoutesSeen
    | LineSeen
    | UnreadSeen
    | ListenerSeen
    | PortSeen
    | LastShowSeen
    | AddressSeen
    | SwitchSeen
    | UsualSeen
)
