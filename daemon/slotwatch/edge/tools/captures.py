"""Read a capture file piece by piece into batches and observations, on a clock that never runs backwards.

Two gigabytes of capture need a few megabytes of memory, plain or gzipped. Nothing here judges.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from slotwatch.edge.tools.capture_clock import CaptureClock
from slotwatch.edge.tools.continuity import is_clock_set
from slotwatch.edge.tools.unpacking import GZIP, Unpacking
from slotwatch.errors import CaptureError
from slotwatch.house.schema import Network
from slotwatch.house.service import Listen
from slotwatch.wire import ethernet, igmp
from slotwatch.wire.batch import FLAG_TRUNCATED, NETWORK_UNKNOWN, ROW_BYTES, Batch
from slotwatch.wire.ethernet import NO_VLAN, Counts, Dissected
from slotwatch.wire.names import address_text
from slotwatch.wire.observation import MembershipSeen, Observation, QuerySeen, UnreadSeen
from slotwatch.wire.pcap import Reader, Records

PIECE_BYTES = 2 << 20
MOST_ROWS = 4096
MOST_NETWORKS = 64
UNREAD_AGAIN_NS = 1_000_000_000
"""How often it is reported again that packets of a network cannot be read."""

UNSTAMPED = "some packets are recorded without a time: they are given that of the packet before"

Combination = tuple[int, int]
"""Interface of the capture and VLAN."""


@dataclass(slots=True)
class Chunk:
    """Some packets of a capture, and what was observed among them; both in order of time."""

    batch: Batch
    observations: list[Observation]

    @property
    def last_ns(self) -> int:
        """Monotonic time of its last packet or observation; 0 if it holds neither."""
        last = int(self.batch.t_ns[-1]) if len(self.batch) else 0
        return max(last, self.observations[-1].t_ns if self.observations else 0)


@dataclass(slots=True)
class Capture:
    """An open capture. Iterate `chunks` once; the counts are whole when it ends."""

    path: str
    listen: Listen
    declared: tuple[Network, ...]
    source: BinaryIO | Unpacking
    reader: Reader = field(default_factory=Reader)
    counts: Counts = field(default_factory=Counts)
    packets: int = 0
    """Frames of the file, of whatever kind."""
    protocol_packets: int = 0
    """UDP datagrams to one of the watched ports."""
    group_messages: int = 0
    """IGMP and MLD messages that could be read."""
    hidden: int = 0
    """Frames that may be datagrams to a watched port and cannot be read."""
    clock: CaptureClock = field(default_factory=CaptureClock)
    networks: tuple[Network, ...] = ()
    """What Batch.network counts: the declared ones, else one for each interface and VLAN of the first piece."""
    notes: list[str] = field(default_factory=list)
    """What a person must know of the file, as sentences."""
    broken: str = ""
    """Why it could not be read to its end, the first of those sentences; empty if it could."""
    _numbers: dict[Combination, int] = field(default_factory=dict)
    _before: Batch | None = None
    """The piece before, its times as the capture has them."""
    _unread_ns: dict[int, int] = field(default_factory=dict)
    _closed: bool = False
    _ahead: list[Records] = field(default_factory=list)

    @property
    def wall_offset_ns(self) -> int:
        """Wall = monotonic + this."""
        return -self.clock.shift_ns

    @property
    def first_ns(self) -> int | None:
        """Wall-clock nanoseconds of the first stamped packet."""
        return self.clock.first_ns

    @property
    def last_ns(self) -> int | None:
        return self.clock.last_ns

    @property
    def end_ns(self) -> int:
        """Monotonic time of the newest packet so far, of whatever kind."""
        return self.clock.newest_ns

    @property
    def unread(self) -> dict[str, int]:
        """Frames that gave no datagram, by reason."""
        counts = self.counts
        return {
            "cut": counts.cut,
            "link-type": counts.other_link_types,
            "mpls": counts.mpls,
            "pppoe": counts.pppoe,
            "fragment": counts.fragments,
            "no-udp": counts.not_udp + counts.not_ip,
            "bad-length": counts.malformed,
        }

    def chunks(self) -> Iterator[Chunk]:
        """Yield the whole capture. CaptureError if the file turns out to be none or cannot be read."""
        while records := self._next():
            for piece in records:
                yield from self._chunk(piece)
        if self.reader.ended:
            self._note_broken(self.reader.ended)

    def close(self) -> None:
        """Close the file. It is also closed when the capture was read to its end."""
        self.source.close()
        self._closed = True

    def _next(self) -> list[Records]:
        """Read on until there are packets; an empty list at the end."""
        if self._ahead:
            records, self._ahead = self._ahead, []
            return records
        try:
            records = [] if self._closed else self._read_on()
        except CaptureError:
            self.close()
            raise
        if not records:
            self.close()
        return records

    def _read_on(self) -> list[Records]:
        while not self.reader.ended:
            try:
                piece = self.source.read(PIECE_BYTES)
            except zlib.error as error:
                if not self.packets and not self.reader.kind:
                    raise CaptureError(f"{self.path}: not a capture: the gzip stream is damaged ({error})") from error
                self._note_broken(f"the gzip stream is damaged ({error}); what comes before it was read")
                piece = b""
            except OSError as error:
                raise CaptureError(f"{self.path}: {error.strerror or error}") from error
            try:
                if not piece:
                    self._end()
                    return []
                records = self.reader.feed(piece)
            except ValueError as error:
                raise CaptureError(f"{self.path}: not a capture: {error}") from error
            if records:
                return records
        return []

    def _end(self) -> None:
        if isinstance(self.source, Unpacking) and self.source.cut_off:
            self._note_broken("the gzip stream is cut off; what comes before it was read")
        self.reader.close()

    def _note_broken(self, sentence: str) -> None:
        self.notes.append(sentence)
        self.broken = self.broken or sentence

    def look_ahead(self) -> None:
        """Read the first piece and find out which networks the capture has."""
        self._ahead = self._next()
        found: list[Combination] = []
        for records in self._ahead:
            if self.first_ns is None:
                self.clock.begin(int(records.t_ns[0]))
            pairs = _combinations(records, self._dissect(records, Counts()))
            found += [(int(pair) >> 16, int(pair) & 0xFFFF) for pair in np.unique(pairs)]
        if not self.declared:
            several = len({interface for interface, _ in found}) > 1
            found.sort()
            chosen = found[:MOST_NETWORKS]
            self.networks = tuple(Network(self._name(pair, several), self._name(pair, several)) for pair in chosen)
            self._numbers = {pair: number for number, pair in enumerate(chosen)}
            return
        self.networks = self.declared
        if len(found) == 1 and len(self.declared) == 1:
            self._numbers[found[0]] = 0

    def _name(self, pair: Combination, several: bool) -> str:
        interface, vlan = pair
        described = self.reader.interfaces[interface].name
        if described.startswith("\\Device\\"):
            described = ""  # a registry key of one operating system, no name for people
        name = described or (f"capture-{interface}" if several else "capture")
        return name if vlan == NO_VLAN else f"{name}.{vlan}"

    def _number(self, pair: Combination) -> int:
        """Say which network an interface and VLAN of the capture is."""
        if pair in self._numbers:
            return self._numbers[pair]
        interface, vlan = pair
        described = self.reader.interfaces[interface].name
        names = [network.interface for network in self.networks] if self.declared else []
        number = NETWORK_UNKNOWN
        for wanted in (self._name(pair, True), f"vlan{vlan}", described):
            if wanted and wanted in names:
                number = names.index(wanted)
                break
        else:
            # A capture made elsewhere has other names: then the order counts.
            if vlan == NO_VLAN and described not in names and interface < len(self.networks) and self.declared:
                number = interface
        if number == NETWORK_UNKNOWN and len(self._numbers) < MOST_NETWORKS:
            self.notes.append(
                f"{self._name(pair, True)} is not one of the house's networks; its packets are judged separately"
            )
        if len(self._numbers) < 65536:
            self._numbers[pair] = number
        return number

    def _dissect(self, records: Records, counts: Counts) -> Dissected:
        link_types = np.array([interface.link_type for interface in self.reader.interfaces], np.int64)
        return ethernet.dissect(records, link_types[records.interface], counts)

    def _chunk(self, records: Records) -> Iterator[Chunk]:
        dissected = self._dissect(records, self.counts)
        self.packets += len(records.t_ns)
        wall = self.clock.fill(records.t_ns)
        if self.clock.has_unstamped and UNSTAMPED not in self.notes:
            self.notes.append(UNSTAMPED)
        networks = self._networks(_combinations(records, dissected))
        stamped, frame = self._batch(records, dissected, wall, networks)
        t_ns, steps = self.clock.times(wall, lambda row: self._is_set(stamped, frame, row))
        self._before = stamped if len(stamped) else self._before
        observed = self._observed(records, dissected, t_ns, networks)
        self.group_messages += sum(isinstance(seen, QuerySeen | MembershipSeen) for seen in observed)
        observed += self._unread(dissected, t_ns, networks)
        observations = sorted(steps + observed, key=lambda seen: seen.t_ns)
        batch = replace(stamped, t_ns=t_ns[frame], wall_offset_ns=self.wall_offset_ns)
        taken = 0
        for begin in range(0, max(1, len(batch)), MOST_ROWS):
            part = batch.part(slice(begin, begin + MOST_ROWS))
            last = begin + MOST_ROWS >= len(batch)
            upto = len(observations)
            if not last:
                upto = taken
                while upto < len(observations) and observations[upto].t_ns <= part.t_ns[-1]:
                    upto += 1
            yield Chunk(part, observations[taken:upto])
            taken = upto

    def _is_set(self, stamped: Batch, frame: NDArray[np.int64], row: int) -> bool:
        """Whether the clock was set before this frame, by the sequence numbers on both sides of it."""
        middle = int(np.searchsorted(frame, row))
        before = stamped.part(slice(middle)) if middle else self._before
        return before is not None and is_clock_set(before, stamped.part(slice(middle, None)))

    def _unread(self, dissected: Dissected, t_ns: NDArray[np.int64], networks: NDArray[np.uint16]) -> list[Observation]:
        """Report where packets of the watched ports may be hidden, at most once a second for each network."""
        watched = (-1, *self.listen.ports.values())
        rows = np.flatnonzero(dissected.hidden & np.isin(dissected.hidden_port, watched))
        self.hidden += len(rows)
        found: list[Observation] = []
        _, firsts = np.unique(np.stack((networks[rows], t_ns[rows] // UNREAD_AGAIN_NS)), axis=1, return_index=True)
        for row in rows[np.sort(firsts)].tolist():
            network = int(networks[row])
            if network not in self._unread_ns or t_ns[row] - self._unread_ns[network] >= UNREAD_AGAIN_NS:
                self._unread_ns[network] = int(t_ns[row])
                found.append(UnreadSeen(int(t_ns[row]), network))
        return found

    def _networks(self, pairs: NDArray[np.int64]) -> NDArray[np.uint16]:
        if (pairs == pairs[0]).all():
            return np.full(len(pairs), self._number((int(pairs[0]) >> 16, int(pairs[0]) & 0xFFFF)), np.uint16)
        values, places = np.unique(pairs, return_inverse=True)
        numbers = np.array([self._number((int(v) >> 16, int(v) & 0xFFFF)) for v in values], np.uint16)
        return numbers[places]

    def _observed(
        self, records: Records, dissected: Dissected, t_ns: NDArray[np.int64], networks: NDArray[np.uint16]
    ) -> list[Observation]:
        found: list[Observation] = []
        packed = records.data
        for frame, begin, end in dissected.arp:
            seen = igmp.neighbour(packed[begin:end].tobytes(), int(t_ns[frame]), int(networks[frame]))
            if seen:
                found.append(seen)
        for frame, begin, end, host in dissected.igmp:
            message = packed[begin:end].tobytes()
            if records.captured[frame] < records.original[frame] or not igmp.is_intact(message):
                continue
            messages = igmp.read_igmp(message)
            found += igmp.seen(messages, address_text(host), int(t_ns[frame]), int(networks[frame]))
        for frame, begin, end, host in dissected.icmpv6:
            messages = igmp.read_mld(packed[begin:end].tobytes())
            found += igmp.seen(messages, address_text(host), int(t_ns[frame]), int(networks[frame]))
        return found

    def _batch(
        self, records: Records, dissected: Dissected, wall: NDArray[np.int64], networks: NDArray[np.uint16]
    ) -> tuple[Batch, NDArray[np.int64]]:
        """Make a batch stamped as the capture has it, and say which frame each row is of."""
        found = dissected.datagrams
        protocol = np.zeros(len(found.frame), np.uint8)
        for number, port in self.listen.watched_ports.items():
            protocol[found.dst_port == port] = number
        rows = np.flatnonzero(protocol)
        self.protocol_packets += len(rows)
        frame, length = found.frame[rows], found.length[rows]
        batch = Batch(
            data=ethernet.gather(records.data, found.payload[rows], ROW_BYTES),
            length=np.minimum(length, ROW_BYTES).astype(np.int32),
            t_ns=wall[frame],
            network=networks[frame],
            protocol=protocol[rows],
            src=found.src[rows],
            src_port=found.src_port[rows],
            dst=found.dst[rows],
            flags=np.where(length > ROW_BYTES, FLAG_TRUNCATED, 0).astype(np.uint8),
            wall_offset_ns=self.wall_offset_ns,
        )
        return batch, frame


def _combinations(records: Records, dissected: Dissected) -> NDArray[np.int64]:
    pairs: NDArray[np.int64] = records.interface << 16 | dissected.vlan
    return pairs


def open_capture(path: str, listen: Listen | None = None, declared: tuple[Network, ...] = ()) -> Capture:
    """Open a pcap or pcapng file, gzipped or not, and find its networks.

    CaptureError, in one line, if it cannot be read or is not a capture.
    """
    try:
        plain = Path(path).open("rb")  # noqa: SIM115 - stays open as long as the capture
        beginning = plain.peek(2)[:2]
    except IsADirectoryError as error:
        raise CaptureError(f"{path}: is a directory, not a capture") from error
    except OSError as error:
        raise CaptureError(f"{path}: {error.strerror or error}") from error
    source = Unpacking(plain) if beginning == GZIP else plain
    capture = Capture(path, listen or Listen(), declared, source)
    capture.look_ahead()
    return capture
