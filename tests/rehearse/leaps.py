"""A replay leaves out ticks that change nothing; here each of its answers is held against one that leaves out none.

`python -m tests.rehearse.leaps [FIRST [COUNT]]` compares drawn captures: mostly silence, with packets of all kinds in
between. `python -m tests.rehearse.leaps scenarios` compares every scenario, each followed by a long silence, and
`python -m tests.rehearse.leaps nights [FIRST [COUNT]]` random nights, each as it was and with its time stretched.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice, pairwise
from typing import cast

import numpy as np

from slotwatch.edge.tools.capture_clock import BASE_NS
from slotwatch.edge.tools.captures import Capture, Chunk
from slotwatch.edge.tools.replaying import Replay
from slotwatch.house.schema import DeclaredSource, House, Limits, Phase
from slotwatch.judge.events import Event
from slotwatch.rehearse.catalogue import SCENARIOS
from slotwatch.rehearse.nights import any_night
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.scenario import Scenario
from slotwatch.wire.observation import LinkSeen, Observation, QuerySeen
from slotwatch.wire.universe import Protocol
from tests.judge.stage import (
    START_NS,
    WALL_OFFSET_NS,
    Packet,
    S,
    artdmx,
    discovery,
    e131,
    group_of,
    house_of,
    make_batch,
)
from tests.rehearse import theatre

AFTER_S = 700.0
"""Silence after a scenario: longer than anything is remembered of what fell silent."""
MOST_PACKETS = 400
SEVERAL_HOURS_S = 20_000.0
RESTS_S = 1_500.0
BURSTS = 60
CROWDED_S = 600.0
MOST_NUMBERS = 250
"""Of senders: each is part of an address."""
SLOWEST = 2.8
"""Tenth powers: a night that is stretched goes on at most 630 times slower."""


@dataclass
class Drawn:
    """What replay asks of a capture, without a file."""

    made: list[Chunk]
    end_ns: int
    wall_offset_ns: int = WALL_OFFSET_NS

    def chunks(self) -> Iterator[Chunk]:
        """Give the packets in order, and observations among them."""
        return iter(self.made)


@dataclass
class Reported:
    """All that one replay says."""

    events: list[Event]
    incidents: list[str]
    streams: list[str]
    ticks: int


def replayed(capture: Drawn, house: House, *, leaps: bool) -> Reported:
    """Judge it, with or without leaving out ticks; without, in numpy alone, which is the reference of compiled code."""
    events: list[Event] = []
    judged = Replay(cast(Capture, capture), house, Phase.SHOW, events.append, leaps=leaps, is_compiled=leaps).run()
    shown = judged.snapshot
    columns = [f"{name}: {column.tolist()}" for name, column in shown.streams.items()]
    return Reported(events, [repr(one) for one in judged.incidents], columns, judged.ticks)


def differences(capture: Drawn, house: House) -> tuple[list[str], Reported, Reported]:
    """Say in what a replay with leaps differs from one without; nothing if they are equal."""
    leaping, plain = (replayed(capture, house, leaps=leaps) for leaps in (True, False))
    found = []
    for name in ("events", "incidents", "streams"):
        ours, theirs = getattr(leaping, name), getattr(plain, name)
        pairs = ((a, b) for a, b in zip(ours, theirs, strict=False) if a != b)
        if ours != theirs:
            a, b = next(pairs, (f"{len(ours)} of them", f"{len(theirs)} of them"))
            found.append(f"{name}:{_apart(str(a), str(b))}")
    return found, leaping, plain


def _apart(ours: str, theirs: str) -> str:
    """Show both texts around the first place where they differ."""
    place = next((at for at, (a, b) in enumerate(zip(ours, theirs, strict=False)) if a != b), 0)
    part = slice(max(0, place - 60), place + 160)
    return f"\n  with leaps {ours[part]}\n  without    {theirs[part]}\n  of         {theirs[:160]}"


# --- drawn captures -----------------------------------------------------------------------------------


@dataclass
class Sender:
    """One source of a drawn capture."""

    number: int
    universes: list[int]
    priority: int
    artnet: bool
    sequence: int = 0
    level: int = 0
    sync: int = 0

    @property
    def address(self) -> str:
        return f"10.0.0.{self.number}"

    def frame(self, t_s: float, universe: int, **more: int) -> Packet:
        if self.artnet:
            data = artdmx(universe, self.sequence % 255 + 1, bytes([self.level]) * 512)
            return Packet(t_s, data, self.address, "10.255.255.255", Protocol.ARTNET)
        cid, name = bytes([self.number]) * 16, f"Desk {self.number}"
        data = e131(
            universe,
            self.sequence,
            bytes([self.level]) * 512,
            cid=cid,
            name=name,
            priority=self.priority,
            sync=self.sync,
            **more,
        )
        return Packet(t_s, data, self.address, group_of(universe))


def _senders(chance: random.Random, universes: list[int], counts: Sequence[int]) -> list[Sender]:
    """Draw sources, each with some of these universes. counts: of these one is how many there are."""
    return [
        Sender(
            number,
            chance.sample(universes, chance.randint(1, len(universes))),
            chance.choice((100, 100, 50)),
            chance.random() < 0.15,
        )
        for number in range(1, chance.choice(counts) + 1)
    ]


def drawn(seed: int, most_packets: int = MOST_PACKETS) -> tuple[Drawn, House]:
    """Draw a house and some hours of mostly nothing."""
    chance = random.Random(seed)
    universes = list(range(1, chance.choice((1, 1, 2, 4)) + 1))
    senders = _senders(chance, universes, (1, 1, 2, 3))
    packets: list[Packet] = []
    seen: list[Observation] = []
    t_s = chance.random()
    while len(packets) < most_packets and t_s < SEVERAL_HOURS_S:
        sender = chance.choice(senders)
        t_s = _burst(chance, sender, t_s, packets, seen)
        t_s += 10 ** chance.uniform(-1.5, 3.2)
    return _capture(chance, packets, seen), _house(chance, universes, senders)


def drawn_sparse(seed: int, bursts: int = BURSTS) -> tuple[Drawn, House]:
    """Draw a house of which a few frames come now and then: gaps of a second to hours."""
    chance = random.Random(seed)
    universes = list(range(1, chance.choice((1, 1, 2, 3)) + 1))
    senders = _senders(chance, universes, (1, 1, 1, 2, 3))
    longest = chance.choice((1.5, 2.5, 3.5, 4.2))
    packets: list[Packet] = []
    t_s = chance.random()
    for _ in range(bursts):
        sender = chance.choice(senders)
        for _ in range(chance.choice((1, 1, 1, 2, 5))):
            sender.sequence += 1
            sender.level = chance.choice((sender.level, sender.level, chance.randint(0, 255)))
            packets += [sender.frame(t_s, universe) for universe in sender.universes]
            t_s += chance.choice((0.001, 0.025, 0.9))
        t_s += 10 ** chance.uniform(0, longest)
    return _capture(chance, packets, []), _house(chance, universes, senders)


def drawn_rest(seed: int, most_s: float = RESTS_S) -> tuple[Drawn, House]:
    """Draw a house that rests, with an event or two: a silence, a cue, lost packets, an end."""
    chance = random.Random(seed)
    universes = list(range(1, chance.choice((1, 1, 2, 3)) + 1))
    senders = [Sender(universe, [universe], 100, False, level=chance.randint(0, 255)) for universe in universes]
    if chance.random() < 0.3:
        senders.append(Sender(9, [1], 50, False))
    packets: list[Packet] = []
    for sender in senders:
        t_s, pace_s, jitter_s = chance.random(), chance.uniform(0.8, 1.0), chance.choice((0.0, 0.001, 0.05))
        event_s = chance.uniform(0.2, 1.0) * most_s
        while t_s < most_s:
            sender.sequence += 1
            packets.append(sender.frame(t_s, sender.universes[0]))
            t_s += pace_s + chance.uniform(-jitter_s, jitter_s)
            if t_s > event_s:
                t_s = _event(chance, sender, t_s, packets)
                event_s = t_s + chance.uniform(0.1, 1.0) * most_s
    packets.sort(key=lambda packet: packet.t_s)
    return _capture(chance, packets, []), _house(chance, universes, senders)


def drawn_many(seed: int, most_s: float = CROWDED_S, least: int = 64) -> tuple[Drawn, House]:
    """Draw a house of more universes than a flood would leave, at rest or sending now and then, and strangers that
    come for moments: under names of their own, or under the desk's from other addresses."""
    chance = random.Random(seed)
    universes = list(range(1, least + chance.choice((1, 2, 6)) + 1))
    desk = Sender(1, universes, 100, False, level=chance.randint(0, 255))
    longest = 0.0 if chance.random() < 0.4 else chance.choice((1.9, 2.1))
    packets: list[Packet] = []
    t_s, number = chance.random(), 1
    while t_s < most_s:
        desk.sequence += 1
        packets += [desk.frame(t_s, universe) for universe in universes]
        t_s += 10 ** chance.uniform(0, longest) if longest else chance.uniform(0.85, 0.95)
    t_s = chance.uniform(5.0, 30.0)
    while t_s < most_s and number < MOST_NUMBERS:
        clones = chance.random() < 0.5
        for _ in range(chance.choice((1, 3, 12))):
            number = min(number + 1, MOST_NUMBERS)
            one = Sender(number, [chance.choice((1, 2, 200 + number))], 100, False)
            identity = bytes([1 if clones else number]) * 16
            for frame in range(chance.choice((1, 1, 5, 23, 40))):
                one.sequence += 1
                sent = one.frame(t_s + 0.9 * frame, one.universes[0])
                packets.append(replace(sent, data=sent.data.replace(bytes([number]) * 16, identity)))
            t_s += chance.choice((0.001, 0.05, 2.0))
        t_s += 10 ** chance.uniform(1.0, 2.3)
    packets = sorted((one for one in packets if one.t_s < most_s), key=lambda packet: packet.t_s)
    return _capture(chance, packets, []), _house(chance, universes, [desk])


def _event(chance: random.Random, sender: Sender, t_s: float, packets: list[Packet]) -> float:
    kind = chance.choice(("silence", "cue", "lost", "end"))
    if kind == "lost":
        sender.sequence += chance.randint(1, 30)
    elif kind == "silence":
        t_s += chance.uniform(1.0, 100.0)
    else:
        for _ in range(3 if kind == "end" else 50):
            sender.sequence += 1
            sender.level = sender.level if kind == "end" else chance.randint(0, 255)
            packets.append(sender.frame(t_s, sender.universes[0], options=0x40 if kind == "end" else 0))
            t_s += 0.001 if kind == "end" else 0.025
        t_s += chance.uniform(0.5, 60.0) if kind == "end" else 0.0
    return t_s


def _burst(chance: random.Random, sender: Sender, t_s: float, packets: list[Packet], seen: list[Observation]) -> float:
    """Send something; returns the time of its end."""
    kind = chance.choice(
        ("one", "one", "rest", "rest", "run", "end", "list", "jump", "odd", "sync", "preview", "query", "link", "slots")
    )
    begun = len(packets)
    if kind == "query":
        seen.append(QuerySeen(_ns(t_s), 0, "10.0.0.250", "IGMPv2", 125.0))
    elif kind == "link":
        seen.append(LinkSeen(_ns(t_s), 0, chance.random() < 0.5, ("10.0.0.200",), "eth1"))
    elif kind == "list":
        data = discovery(sender.universes, cid=bytes([sender.number]) * 16, name=f"Desk {sender.number}")
        packets.append(Packet(t_s, data, sender.address, "239.255.250.214"))
    elif kind == "odd":
        for _ in range(chance.choice((1, 12))):
            packets.append(Packet(t_s, b"ASC-E1.17 is not here", sender.address, group_of(1)))
            t_s += 0.01
    else:
        frames = {"one": 1, "rest": chance.randint(2, 12), "run": chance.randint(3, 60), "end": 3}.get(kind, 2)
        pause_s = {"rest": 0.9, "end": 0.001}.get(kind, 0.025)
        options = {"end": 0x40, "preview": 0x80}.get(kind, 0)
        sender.sequence += chance.randint(2, 90) if kind == "jump" else 0
        sender.sync = 7 if kind == "sync" else 0
        for _ in range(frames):
            sender.sequence += 1
            sender.level = chance.randint(0, 255) if kind == "run" else sender.level
            for universe in sender.universes:
                more = {"options": options} | (
                    {"start_code": 0xDD} if kind == "slots" and chance.random() < 0.5 else {}
                )
                packets.append(sender.frame(t_s, universe, **more))
            t_s += pause_s
    return t_s if len(packets) > begun else t_s + 0.001


def _ns(t_s: float) -> int:
    return BASE_NS + round(t_s * S)


def _capture(chance: random.Random, packets: list[Packet], seen: list[Observation]) -> Drawn:
    batch = make_batch(packets)
    batch.t_ns += BASE_NS - START_NS
    cuts = sorted({0, len(packets), *(chance.randrange(len(packets) + 1) for _ in range(chance.choice((0, 3))))})
    chunks = []
    for first, end in pairwise(cuts):
        until_ns = int(batch.t_ns[end]) if end < len(packets) else 1 << 62
        now = [one for one in seen if one.t_ns < until_ns]
        seen = seen[len(now) :]
        chunks.append(Chunk(batch.part(slice(first, end)), now))
    return Drawn(chunks, max(chunk.last_ns for chunk in chunks))


def _house(chance: random.Random, universes: list[int], senders: list[Sender]) -> House:
    if chance.random() < 0.3:
        return replace(House(name="x"), networks=house_of((1,)).networks)
    declared = tuple(
        DeclaredSource(
            f"Desk {one.number}", cid=bytes([one.number]) * 16, role="backup" if one.priority < 100 else "main"
        )
        for one in senders
        if not one.artnet
    )
    by = tuple(one.name for one in declared)
    house = house_of(universes, sources=declared, by=by if chance.random() < 0.5 else ())
    if chance.random() < 0.2:
        # Shorter than the pace of a source at rest.
        limits = Limits(loss_timeout_s=chance.uniform(0.6, 1.5))
        house = replace(house, universes=tuple(replace(one, limits=limits) for one in house.universes))
    return house


# --- scenarios ----------------------------------------------------------------------------------------


def capture_of(scenario: Scenario, most: int | None = None, slower: float = 1.0) -> tuple[Drawn, House]:
    """Make a capture of a scenario, a long silence, and its last packet once more.

    most: of its packets and observations only so many are taken. slower: how much longer all of it lasts.
    """
    items = [replace(item, t_ns=round(item.t_ns * slower)) for item in islice(scenario.items(), most)]
    sent = [item for item in items if isinstance(item, Sent)]
    seen = [item for item in items if not isinstance(item, Sent)]
    sent.append(replace(sent[-1], t_ns=sent[-1].t_ns + round(AFTER_S * S)))
    batch = theatre.batch_of(sent)
    batch.t_ns += BASE_NS - theatre.BASE_NS
    observed = [replace(item, t_ns=BASE_NS + item.t_ns) for item in seen]
    return Drawn([Chunk(batch, observed)], int(batch.t_ns[-1])), theatre.house_of(scenario.paper)


def stretched(seed: int, most: int = MOST_PACKETS) -> tuple[Drawn, House]:
    """Make a capture of the beginning of a random night that goes on far slower than any desk sends."""
    chance = random.Random(seed)
    return capture_of(any_night(seed).scenario, most, 10 ** chance.uniform(0.5, SLOWEST))


def _compare(named: Iterable[tuple[str, tuple[Drawn, House]]]) -> int:
    wrong = ticks = every = events = count = 0
    for name, (capture, house) in named:
        found, leaping, plain = differences(capture, house)
        count, ticks, every = count + 1, ticks + leaping.ticks, every + plain.ticks
        events += len(plain.events)
        wrong += bool(found)
        for text in found:
            print(f"{name}: {text}", flush=True)
    print(f"{count} captures, {events} events, {ticks:,} ticks of {every:,}; {wrong} not equal")
    return int(wrong > 0)


def main(words: list[str]) -> int:
    """Compare, and return 1 if anything differs."""
    began_s = time.monotonic()
    np.seterr(all="raise")
    if words[:1] == ["scenarios"]:
        wanted = {name: SCENARIOS[name] for name in words[1:] or SCENARIOS}
        # What sends nothing makes no capture.
        sending = (name for name, one in wanted.items() if any(isinstance(item, Sent) for item in one.items()))
        status = _compare((name, capture_of(wanted[name])) for name in sending)
    elif words[:1] == ["nights"]:
        seeds = _seeds(words[1:])
        status = _compare((f"night {seed}", capture_of(any_night(seed).scenario)) for seed in seeds)
        status |= _compare((f"stretched {seed}", stretched(seed)) for seed in seeds)
    else:
        seeds = _seeds(words)
        status = _compare((f"capture {seed}", drawn(seed)) for seed in seeds)
        status |= _compare((f"sparse {seed}", drawn_sparse(seed)) for seed in seeds)
        status |= _compare((f"rest {seed}", drawn_rest(seed)) for seed in seeds)
        status |= _compare((f"many {seed}", drawn_many(seed)) for seed in seeds)
    print(f"{time.monotonic() - began_s:.0f} s")
    return status


def _seeds(words: list[str]) -> range:
    first, count = (*map(int, words), 40)[:2] if words else (1, 40)
    return range(first, first + count)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
