"""The declared house as values. `house.load` makes them from a file; everything else only reads them.

A House is never changed: a reload makes a new one and the engine takes it whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from enum import StrEnum

from slotwatch.house.occasions import DarkTerms, ReadinessTerms, ReferenceTerms
from slotwatch.house.outgoing import Alerts, Heartbeat, Mqtt, Notify, Webhook
from slotwatch.house.service import FirstContact, HistoryTerms, Http, Listen, RecorderTerms
from slotwatch.house.witnesses import DeclaredListener, DeclaredSwitch
from slotwatch.wire.universe import Protocol, UniverseId


class Phase(StrEnum):
    """What the house is doing. It sets each alert's severity, never what is measured."""

    DARK = "dark"
    GET_IN = "get-in"
    REHEARSAL = "rehearsal"
    PRE_SHOW = "pre-show"
    SHOW = "show"
    POST_SHOW = "post-show"


@dataclass(frozen=True, slots=True)
class Limits:
    """Thresholds of one universe: the file's defaults, then its protocol's, then its own."""

    min_refresh_hz: float = 20.0
    loss_timeout_s: float = 2.5
    """Each protocol has its own: `ProtocolFacts.loss_timeout_s`."""


@dataclass(frozen=True, slots=True)
class Network:
    """One interface or VLAN. Index 0 of House.networks is the first one."""

    name: str
    interface: str
    """Interface name or address as declared."""


@dataclass(frozen=True, slots=True)
class DeclaredSource:
    """A desk, media server or program that may send."""

    name: str
    cid: bytes | None = None
    """16 bytes, or None: any."""
    address: str | None = None
    source_name: str | None = None
    role: str = "main"
    """main | backup."""
    standby: str = "sending"
    """sending | silent; of a backup only."""
    priority: int | None = None
    line: int = 0
    """Line of the house file, 0: not known. So in every class here."""
    other_addresses: tuple[str, ...] = ()
    """Further addresses, where it sends to several networks."""

    @property
    def addresses(self) -> tuple[str, ...]:
        """All addresses that were declared; empty: any."""
        return (self.address, *self.other_addresses) if self.address is not None else ()


@dataclass(frozen=True, slots=True)
class DeclaredUniverse:
    """A universe that this house uses."""

    id: UniverseId
    label: str = ""
    sources: tuple[str, ...] = ()
    """Names of declared sources that may send it; empty: anyone."""
    shared: bool = False
    expected: bool = True
    networks: tuple[int, ...] = (0,)
    """Indices of the networks it is expected on; it is judged on each."""
    limits: Limits = Limits()
    line: int = 0


@dataclass(frozen=True, slots=True)
class Profile:
    """A fixture's mode: the role of each of its slots, in order."""

    name: str
    slots: tuple[str, ...]
    strobe_hz: tuple[float, float] | None = None
    """Rate of the strobe slot at its lowest and highest level, where the profile says it."""
    load_w: float | None = None
    line: int = 0

    @property
    def footprint(self) -> int:
        return len(self.slots)


@dataclass(frozen=True, slots=True)
class Fixture:
    """One patched fixture, or one break of a fixture with several."""

    name: str
    universe: UniverseId
    address: int
    """1 to 512: slot of its first role."""
    slots: tuple[str, ...]
    """Role of each slot; where only a footprint is known, empty strings; where not even that is, one of them."""
    profile: str = ""
    label: str = ""
    position: str = ""
    circuit: str = ""
    faces_audience: bool = False
    accepted_overlap: bool = False
    file: str = ""
    row: int | None = None
    is_size_known: bool = True
    """Whether it answers to as many slots as `slots` has, and not to more."""

    @property
    def footprint(self) -> int:
        return len(self.slots)

    @property
    def last_slot(self) -> int:
        return self.address + len(self.slots) - 1


@dataclass(frozen=True, slots=True)
class Circuit:
    """One numbered circuit: which way of which rack feeds it, and what it feeds."""

    name: str
    rack: str
    way: int
    module: str = "dimmer"
    """dimmer | switched | unswitched."""
    load_w: float = 0.0
    curve: str = "linear"
    """linear | square | switched (threshold 50 %)."""
    limit_a: float | None = None
    rated_life_h: float | None = None
    file: str = ""
    row: int | None = None


@dataclass(frozen=True, slots=True)
class Rack:
    """A dimmer or relay rack: `ways` ways from slot `address` on."""

    name: str
    universe: UniverseId
    address: int
    ways: int
    volts: float = 230.0
    supplies: int = 3
    order: str | tuple[int, ...] = "in-turn"
    """in-turn | blocks | supply number of each way."""
    way_limit_a: float = 10.0
    supply_limit_a: float | None = None
    neutral_limit_a: float | None = None
    line: int = 0


@dataclass(frozen=True, slots=True)
class Receiver:
    """A device that should answer: a gateway, a node, a rack processor."""

    name: str
    address: str
    universes: tuple[UniverseId, ...] = ()
    on_loss: str = "hold"
    """hold | fade | off | preset."""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Line:
    """A DMX512 line that is listened to."""

    name: str
    number: int
    """Its number as a universe of Protocol.LINE, from 1."""
    port: str
    compare_with: UniverseId | None = None
    """The universe that should be on it."""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Route:
    """A universe that this computer sends on."""

    name: str
    source: UniverseId
    """`from` in the file."""
    source_network: int | None = None
    target: UniverseId | None = None
    """None where the target is a serial line."""
    target_serial: str | None = None
    to_address: str | None = None
    to_network: int | None = None
    broadcast: bool = False
    priority: int = 50
    slots: tuple[int, int] = (1, 512)
    """First and last slot that is taken from the input."""
    to_slot: int = 1
    """Where the first taken slot lands in the output."""
    refresh_hz: float | None = None
    merge: str = "highest"
    """highest | latest."""
    slot_priority: bool = False
    """Also send 0xDD."""
    line_break: str = "control"
    """control | baud: how a serial adapter is made to send its break."""
    hold_s: float = 0.0
    then: str = "stop"
    """stop | zero | hold."""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Accepted:
    """An exception, always with its reason and usually with its end."""

    rule: str
    reason: str
    universes: tuple[UniverseId, ...] = ()
    """Empty: everywhere."""
    until: date | None = None
    line: int = 0
    networks: tuple[int | None, ...] = ()
    """In step with `universes`: the network each is accepted on. None, or past the end: on each."""

    def covers(self, universe: UniverseId, network: int | None) -> bool:
        """Whether it holds for a universe on a network (None: no one network)."""
        on = (*self.networks, *(None for _ in self.universes[len(self.networks) :]))
        pairs = zip(self.universes, on, strict=True)
        return not self.universes or any(one == universe and where in (None, network) for one, where in pairs)


@dataclass(frozen=True, slots=True)
class Quiet:
    """A window in which some rules are only noted. It ends automatically."""

    start: datetime
    end: datetime
    rules: tuple[str, ...] = ()
    """Empty: all rules that a quiet window may lower (never storm or self)."""
    reason: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class TimetableRow:
    """When the house changes its phase automatically."""

    days: tuple[int, ...]
    """0 Monday to 6 Sunday, in the house's time zone."""
    at: time
    phase: Phase
    line: int = 0


@dataclass(frozen=True, slots=True)
class Excluded:
    """Slots that must never be routed: pyrotechnics, hoists, moving scenery, emergency or escape lighting."""

    universe: UniverseId
    first: int
    last: int
    kind: str
    line: int = 0


@dataclass(frozen=True, slots=True)
class House:
    """Everything that is declared. Lists are tuples in the order of the file."""

    name: str = "Unnamed house"
    phase: Phase = Phase.DARK
    time_zone: str = "UTC"
    file: str = ""
    listen: Listen = field(default_factory=Listen)
    http: Http = field(default_factory=Http)
    history: HistoryTerms = field(default_factory=HistoryTerms)
    recorder: RecorderTerms = field(default_factory=RecorderTerms)
    alerts: Alerts = field(default_factory=Alerts)
    mqtt: Mqtt = field(default_factory=Mqtt)
    notify: tuple[Notify, ...] = ()
    webhooks: tuple[Webhook, ...] = ()
    heartbeat: Heartbeat = field(default_factory=Heartbeat)
    listeners: tuple[DeclaredListener, ...] = ()
    switches: tuple[DeclaredSwitch, ...] = ()
    limits: Mapping[Protocol, Limits] = field(
        default_factory=lambda: {one: Limits(loss_timeout_s=one.facts.loss_timeout_s) for one in Protocol},
        hash=False,  # a mapping has none; what is equal still compares it
    )
    """What undeclared universes are judged by."""
    networks: tuple[Network, ...] = ()
    sources: tuple[DeclaredSource, ...] = ()
    universes: tuple[DeclaredUniverse, ...] = ()
    profiles: tuple[Profile, ...] = ()
    fixtures: tuple[Fixture, ...] = ()
    circuits: tuple[Circuit, ...] = ()
    racks: tuple[Rack, ...] = ()
    receivers: tuple[Receiver, ...] = ()
    lines: tuple[Line, ...] = ()
    routes: tuple[Route, ...] = ()
    accepted: tuple[Accepted, ...] = ()
    quiet: tuple[Quiet, ...] = ()
    timetable: tuple[TimetableRow, ...] = ()
    excluded: tuple[Excluded, ...] = ()
    references: ReferenceTerms = field(default_factory=ReferenceTerms)
    readiness: ReadinessTerms = field(default_factory=ReadinessTerms)
    dark: DarkTerms = field(default_factory=DarkTerms)
    first_contact: FirstContact | None = None
    """Set where `serve` runs without a house file."""
    empty_patches: tuple[str, ...] = field(default=())
    """Patch files that were read and hold no fixture."""
    empty_circuits: tuple[str, ...] = field(default=())
    """Circuit lists that were read and hold no circuit."""
    notes: tuple[str, ...] = field(default=())
    """What the loader reports that is not a fault: columns it read, overlays past their end."""

    @property
    def notice_recipients(self) -> tuple[Notify | Webhook, ...]:
        """All recipients of messages about incidents."""
        return (*self.notify, *self.webhooks)

    @property
    def has_routes(self) -> bool:
        """Whether the process runs that sends: routes, the Art-Net node, questions to fixtures."""
        return bool(self.routes) or self.listen.artnet_subscribe or self.listen.ask_fixtures

    def limits_of(self, universe: UniverseId) -> Limits:
        """Limits that hold for a universe that is not declared."""
        return self.limits[universe.protocol]
