"""The last answers of the house's switches, and what changed on them: restarts, ports that went down, counted errors.

The last answer of a silent switch is kept: it is still the best guess of what is connected where.
Its clock is its up time. A moment on it is converted to this computer's clock by the time at which it was asked.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from slotwatch.durations import NANOSECONDS
from slotwatch.house.witnesses import MOST_SWITCHES
from slotwatch.wire.observation import SwitchSeen
from slotwatch.wire.switch import SwitchPort, SwitchState, SwitchTables

TICK_NS = NANOSECONDS // 100
WRAP_TICKS = 1 << 32
"""sysUpTime is 32 bits of hundredths of a second (RFC 3418)."""
COUNTER_WRAP = 1 << 32
"""ifInErrors and its kin are Counter32 (RFC 2863)."""
CLOCK_SLACK_TICKS = 60_000
"""How far a switch's clock may run off between two answers and still be the same one's; common practice, no source."""
FRAMES_A_MBIT = 1488
"""Most frames a second for each Mbit/s of a port: 64 bytes with preamble and gap (IEEE 802.3 3.1, 4.4.2)."""
FASTEST_MBPS = 100_000
"""Of a port whose speed is not known."""
AGENT_READS_NS = 30 * NANOSECONDS
"""How rarely an agent may read its own ports (net-snmp: 15 s); common practice, no source."""
COUNTS_KEPT = 64
CHANGES_KEPT = 32
MOST_LAPSED = 512
"""Groups that are kept of those that a table lists no longer, the newest."""
ANSWER_SLACK_TICKS = 1_000
"""How far its clock may seem behind because an answer was slow: two requests of 2 s, and their way."""
ROUNDED_NS = NANOSECONDS
"""How far a moment that a switch gives may be off: its clock's hundredths, and the travel of the packet."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment that is known to lie between two others, on this computer's clock (ns)."""

    from_ns: int
    to_ns: int

    def overlaps(self, from_ns: int, to_ns: int) -> bool:
        return self.from_ns <= to_ns and self.to_ns >= from_ns

    @property
    def is_sharp(self) -> bool:
        """Whether the switch itself gave it."""
        return self.to_ns - self.from_ns <= 2 * ROUNDED_NS

    @property
    def middle_ns(self) -> int:
        return (self.from_ns + self.to_ns) // 2


@dataclass(frozen=True, slots=True)
class PortChange:
    """A port went up or down."""

    moment: Moment
    up: bool


@dataclass(slots=True)
class PortRecord:
    """One port with what is remembered of it."""

    port: SwitchPort
    changes: deque[PortChange] = field(default_factory=lambda: deque(maxlen=CHANGES_KEPT))
    counts: deque[tuple[int, int]] = field(default_factory=lambda: deque(maxlen=COUNTS_KEPT))
    """(time, errors and discards since this was first asked)."""
    raw: tuple[int | None, int | None] = (None, None)
    """Errors and discards as the switch counted them last."""
    counted: int = 0
    show_counted: int | None = None
    """`counted` when the last show began."""

    def begin_anew(self, is_other: bool) -> None:
        """Take the next counts as those of a device that counts from 0, or of another one, whose past is not known."""
        self.raw = (None, None) if is_other or self.raw == (None, None) else (0, 0)

    def counted_in(self, from_ns: int, to_ns: int) -> tuple[int, int] | None:
        """Errors and discards counted between two moments, and the ns between their polls.

        The polls are the newest ones that are not after either moment. None: there was none before the first.
        """
        before = next((one for one in reversed(self.counts) if one[0] <= from_ns), None)
        after = next((one for one in reversed(self.counts) if one[0] <= to_ns), None)
        if before is None or after is None or after[0] <= before[0]:
            return None
        return after[1] - before[1], after[0] - before[0]

    def went_down(self, from_ns: int, to_ns: int) -> PortChange | None:
        """Give the last change by which it went down in a span of time, whether it has come up again or not.

        An agent that reads its ports now and then gives the moment of its reading. A change reported so soon after
        the span may lie in it: its moment is then the whole time from the span's begin.
        """
        for late_ns in (0, AGENT_READS_NS):
            for one in reversed(self.changes):
                if not one.up and one.moment.overlaps(from_ns, to_ns + late_ns):
                    return PortChange(Moment(from_ns, one.moment.to_ns), False) if late_ns else one
        return None


@dataclass(frozen=True, slots=True)
class QuerierMoved:
    """A switch names another querier on an interface than before."""

    before: str
    after: str
    from_ns: int
    """When it last named the one before."""
    to_ns: int


class RestartKind(StrEnum):
    WHOLE = "restarted"
    MANAGEMENT = "management-restarted"
    """The device itself kept running: its own clock (hrSystemUptime) did not begin again."""
    EXCHANGED = "exchanged"
    """Another device answers: its chassis is another, or its clock ran already while the one before still answered."""
    UNCLEAR = "unclear"
    """The clock is further on than it can be: nothing is reported, and nothing is compared with what was before."""


@dataclass(frozen=True, slots=True)
class Restart:
    """A switch restarted, or another one is in its place."""

    moment: Moment
    """When its up time began; of another device: from the last answer of the one before to its first."""
    began_ns: int
    """When its up time began."""
    before_ns: int
    """When it last answered before."""
    seen_ns: int
    kind: RestartKind


@dataclass(frozen=True, slots=True)
class Lapse:
    """When a switch's table listed a group for the last time, and when it was read without it."""

    listed_ns: int
    gone_ns: int


@dataclass(slots=True)
class SwitchRecord:
    """One switch. Times are monotonic ns of this computer."""

    name: str
    asked_ns: int = 0
    answered_ns: int = 0
    """0: never yet."""
    first_missed_ns: int = 0
    """When it was first asked without an answer since the last one; 0: it answered."""
    missed: int = 0
    """Polls in a row without an answer."""
    reason: str = ""
    state: SwitchState | None = None
    tables: SwitchTables = field(default_factory=SwitchTables)
    tables_ns: int = 0
    ports: dict[int, PortRecord] = field(default_factory=dict)
    restart: Restart | None = None
    restarts: int = 0
    exchanges: int = 0
    """How often another device answered than before."""
    querier_moved: QuerierMoved | None = None
    """The last time."""
    lapsed_groups: dict[str, Lapse] = field(default_factory=dict)
    """Groups that its table lists no longer."""
    earlier: tuple[int, int] | None = None
    """When it last answered an earlier judgement, and its up time then in ticks; None: that was compared, or is not
    known."""

    @property
    def answers(self) -> bool:
        return self.answered_ns > 0 and not self.missed

    def began_ns(self) -> int:
        """When its up time began, on this computer's clock."""
        return self.answered_ns - (self.state.uptime_ticks if self.state else 0) * TICK_NS

    def port_named(self, name: str) -> PortRecord | None:
        """Find a port by its name, its description or its number."""
        wanted = name.casefold()
        for record in self.ports.values():
            if wanted in (record.port.name.casefold(), record.port.description.casefold(), str(record.port.index)):
                return record
        return None

    # --- what a poll holds ----------------------------------------------------------------------------

    def take(self, seen: SwitchSeen) -> None:
        before_ns, self.asked_ns, self.reason = self.answered_ns, seen.t_ns, seen.reason
        if seen.state is None:
            self.missed += 1
            self.first_missed_ns = self.first_missed_ns or seen.t_ns
            return
        before, self.missed, self.first_missed_ns = self.state, 0, 0
        self.state, self.answered_ns = seen.state, seen.t_ns
        kind = _kind_of_restart(self, before, seen, before_ns) if before is not None else None
        if kind is not None and kind is not RestartKind.UNCLEAR:
            self._note_restart(kind, seen.state, before_ns, seen.t_ns)
        self.compare_with_earlier()
        is_other = kind in (RestartKind.EXCHANGED, RestartKind.UNCLEAR)
        if seen.state.tables is not None:
            if not is_other:
                self._note_querier(seen.state.tables, seen.t_ns)
            self._note_groups(seen.state.tables, seen.t_ns, is_anew=kind is not None)
            self.tables, self.tables_ns = seen.state.tables, seen.t_ns
        known, self.ports = self.ports, {}
        for port in seen.state.ports:
            record = known.get(port.index)
            if record is None or record.port.name != port.name:
                record = PortRecord(port)
            else:
                _note_change(record, port, before_ns, seen.t_ns)
                if kind is not None:
                    record.begin_anew(is_other)
            _note_counts(record, port, seen.t_ns)
            record.port = port
            self.ports[port.index] = record

    def compare_with_earlier(self) -> None:
        """Note a restart since it answered an earlier judgement. A fall of its up time shows it, whatever became of
        this computer's wall clock meanwhile; what has risen may be the same or not, and shows none."""
        if self.earlier is None or self.state is None:
            return
        (before_ns, before_ticks), self.earlier = self.earlier, None
        may_have_wrapped = before_ticks + (self.answered_ns - before_ns) // TICK_NS > WRAP_TICKS - CLOCK_SLACK_TICKS
        is_known = self.restart is not None or self.answered_ns <= before_ns
        if self.state.uptime_ticks >= before_ticks or may_have_wrapped or is_known:
            return
        host_ticks = self.state.host_uptime_ticks
        goes_on = host_ticks is not None and host_ticks >= before_ticks
        kind = RestartKind.MANAGEMENT if goes_on else RestartKind.WHOLE
        self._note_restart(kind, self.state, before_ns, self.answered_ns)

    def _note_groups(self, tables: SwitchTables, t_ns: int, *, is_anew: bool) -> None:
        """Note which groups its table lists no longer. is_anew: it restarted, and has them all to learn again."""
        now = {group for group, _ in tables.groups}
        if is_anew or not now or tables.cut or self.tables.cut:
            self.lapsed_groups.clear()
            return
        gone = {group for group, _ in self.tables.groups} - now
        self.lapsed_groups = {group: one for group, one in self.lapsed_groups.items() if group not in now}
        self.lapsed_groups |= dict.fromkeys(gone, Lapse(self.tables_ns, t_ns))
        for group in list(self.lapsed_groups)[:-MOST_LAPSED]:
            del self.lapsed_groups[group]

    def _note_querier(self, now: SwitchTables, t_ns: int) -> None:
        """Note a querier that is another one than before, on the same interface. One that comes or goes is none."""
        known = dict(self.tables.queriers)
        for index, address in now.queriers:
            if known.get(index, address) != address:
                self.querier_moved = QuerierMoved(known[index], address, self.tables_ns, t_ns)

    def _note_restart(self, kind: RestartKind, now: SwitchState, before_ns: int, t_ns: int) -> None:
        began_ns = t_ns - now.uptime_ticks * TICK_NS
        moment = Moment(max(before_ns, began_ns - ROUNDED_NS), began_ns + ROUNDED_NS)
        if kind is RestartKind.EXCHANGED:
            moment = Moment(before_ns, t_ns)
            self.exchanges += 1
        self.restart = Restart(moment, began_ns, before_ns, t_ns, kind)
        self.restarts += 1


def _kind_of_restart(known: SwitchRecord, before: SwitchState, seen: SwitchSeen, before_ns: int) -> RestartKind | None:
    """Compare its clock with what it was, and its chassis. None: it is the same one, and its clock went on."""
    now, passed = seen.state, (seen.t_ns - before_ns) // TICK_NS
    if now is None:
        return None
    due = before.uptime_ticks + passed
    off, goes_on = now.uptime_ticks - due, now.uptime_ticks >= before.uptime_ticks
    if goes_on and abs(off) <= CLOCK_SLACK_TICKS:
        # Soon after its last beginning it may have begun anew, and have been up for less than has passed.
        return RestartKind.WHOLE if off < -ANSWER_SLACK_TICKS and now.uptime_ticks < passed else None
    if abs(due - WRAP_TICKS - now.uptime_ticks) <= CLOCK_SLACK_TICKS:
        return None  # 497 days are over
    chassis = now.tables.chassis if now.tables else ""
    is_known = bool(chassis and known.tables.chassis)
    if is_known and chassis != known.tables.chassis:
        return RestartKind.EXCHANGED
    if goes_on and now.uptime_ticks > passed + CLOCK_SLACK_TICKS:
        # Another device, or this computer slept meanwhile.
        return None if is_known else RestartKind.UNCLEAR
    host, host_before = now.host_uptime_ticks, before.host_uptime_ticks
    if host is not None and host_before is not None and host >= host_before:
        return RestartKind.MANAGEMENT
    if now.uptime_ticks > passed + CLOCK_SLACK_TICKS and not is_known:
        return RestartKind.EXCHANGED
    return RestartKind.WHOLE


def _note_change(record: PortRecord, port: SwitchPort, before_ns: int, t_ns: int) -> None:
    """Note that a port went up or down since the last poll, with the moment if the switch gives it."""
    reported_ns = None if port.changed_s is None else t_ns - round(port.changed_s * NANOSECONDS)
    if reported_ns is not None and reported_ns < before_ns - ROUNDED_NS:
        reported_ns = None
    if reported_ns is not None:
        moment = Moment(reported_ns - ROUNDED_NS, reported_ns + ROUNDED_NS)
    else:
        moment = Moment(before_ns, t_ns)
    if port.up is not record.port.up:
        record.changes.append(PortChange(moment, port.up))
    elif reported_ns is not None and _is_newer(record, reported_ns):
        # Down and up again, or the other way round, between two polls.
        record.changes.append(PortChange(moment, not port.up))
        record.changes.append(PortChange(moment, port.up))


def _is_newer(record: PortRecord, reported_ns: int) -> bool:
    last = record.changes[-1].moment.to_ns if record.changes else 0
    return reported_ns - ROUNDED_NS > last


def _note_counts(record: PortRecord, port: SwitchPort, t_ns: int) -> None:
    """Add up what was counted since the last poll. A counter that began anew counts from 0."""
    raw = port.errors, port.discards
    if raw == (None, None):
        return
    if record.counts:
        passed_s = (t_ns - record.counts[-1][0]) / NANOSECONDS
        most = passed_s * FRAMES_A_MBIT * (port.speed_mbps or FASTEST_MBPS)
        for before, now in zip(record.raw, raw, strict=True):
            if before is None or now is None:
                continue
            # No more can be counted than frames fit through the port: a counter that fell wrapped, or somebody
            # cleared it; one that rose by more was set.
            likeliest = (now - before, now - before + COUNTER_WRAP, now)
            record.counted += next((grown for grown in likeliest if 0 <= grown <= most), 0)
    record.raw = raw
    record.counts.append((t_ns, record.counted))


class Switches:
    """All switches by the names of the house file."""

    def __init__(self) -> None:
        self._records: dict[str, SwitchRecord] = {}
        self._earlier: dict[str, tuple[int, int]] = {}
        self.revision = 0
        """Rises with each poll."""

    def take(self, seen: SwitchSeen) -> None:
        if seen.name not in self._records and len(self._records) >= MOST_SWITCHES:
            return
        if seen.name not in self._records:
            self._records[seen.name] = SwitchRecord(seen.name, earlier=self._earlier.pop(seen.name, None))
        self._records[seen.name].take(seen)
        self.revision += 1

    def remember(self, earlier: Mapping[str, tuple[int, int]]) -> None:
        """Take up when switches last answered an earlier judgement, and their up times then. It may come late."""
        for name, answered in earlier.items():
            record = self._records.get(name)
            if record is None:
                self._earlier[name] = answered
            else:
                record.earlier = answered
                record.compare_with_earlier()

    def get(self, name: str) -> SwitchRecord | None:
        """None: it was never asked."""
        return self._records.get(name)

    def keep(self, names: set[str]) -> None:
        """Forget switches that the house does not name any more."""
        for name in self._records.keys() - names:
            del self._records[name]
            self.revision += 1

    def __iter__(self) -> Iterator[SwitchRecord]:
        return iter(self._records.values())

    def __bool__(self) -> bool:
        return bool(self._records)
