"""Plays scenarios to the real decoder and engine in simulated time, and holds what is reported against the truth."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache
from ipaddress import ip_address

import numpy as np

from slotwatch.edge.shared.compiled import load, load_looking
from slotwatch.engine import Engine
from slotwatch.house.load import load_house
from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House
from slotwatch.judge.events import Event
from slotwatch.judge.orders import Absence, Resume
from slotwatch.rehearse import stage
from slotwatch.rehearse.catalogue import SCENARIOS
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.packets import ARTNET_PORT, LINE_PORT, Sent
from slotwatch.rehearse.scenario import Paper, Scenario
from slotwatch.rehearse.stage import Item
from slotwatch.snapshot import Confidence, Incident, Severity, Snapshot
from slotwatch.views.records import (
    homes_of,
    homes_record,
    incident_of,
    phase_of,
    phase_record,
    record,
    up_times_of,
    up_times_record,
)
from slotwatch.wire.batch import ROW_BYTES, Batch, empty
from slotwatch.wire.observation import DropsSeen, JoinSeen, LinkSeen, RoutesSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.rehearse.invariants import violations

BASE_NS = 10_000_000_000_000
"""Monotonic time of every scenario's start: times of 0 mean never."""
WALL_OFFSET_NS = 1_790_000_000_000_000_000
STEP_NS = 50_000_000
LOOK_NS = 1_000_000_000
MINUTE_NS = 60_000_000_000
SPARE = 63_000
"""Universes from this number on occur in no scenario."""
LATEST_S = 0.1
"""Detection is no later than this after the rule's own time."""
COMPILED, LOOKING = load(), load_looking()
_CONFIDENCES = [Confidence.LOW, Confidence.MEDIUM, Confidence.HIGH, Confidence.CERTAIN]


def house_of(paper: Paper) -> House:
    files = {f"/house/{name}": text.encode() for name, text in paper.files} | {"/house/house.toml": paper.toml.encode()}
    by_name = files | {name.rsplit("/", 1)[1]: data for name, data in files.items()}
    return load_house("/house/house.toml", lambda name: by_name[name], date(2026, 11, 25))


def with_one_more(house: House, number: int) -> House:
    """The same house with a universe and a source more at the head of its lists, which no production uses."""
    unused = DeclaredUniverse(UniverseId(Protocol.E131, SPARE + number), label="spare", expected=False)
    away = DeclaredSource(f"away {number}", address="192.0.2.1")
    return replace(house, universes=(unused, *house.universes), sources=(away, *house.sources))


@cache
def mapped(address: str) -> bytes:
    ip = ip_address(address)
    return ip.packed if ip.version == 6 else bytes(10) + b"\xff\xff" + ip.packed


def batch_of(packets: list[Sent]) -> Batch:
    batch = empty(len(packets), WALL_OFFSET_NS)
    for row, sent in enumerate(packets):
        payload = sent.payload[:ROW_BYTES]
        batch.data[row, : len(payload)] = np.frombuffer(payload, np.uint8)
        batch.length[row] = len(payload)
        batch.t_ns[row] = BASE_NS + sent.t_ns
        batch.network[row] = sent.network
        artnet = sent.dst_port in (ARTNET_PORT, 16454)
        protocol = Protocol.LINE if sent.dst_port == LINE_PORT else Protocol.ARTNET if artnet else Protocol.E131
        batch.protocol[row] = protocol
        batch.src[row] = np.frombuffer(mapped(sent.src), np.uint8)
        batch.src_port[row] = sent.src_port
        batch.dst[row] = np.frombuffer(mapped(sent.dst), np.uint8)
    return batch


@dataclass
class Performance:
    """What was reported of a scenario: every incident as it was at the end, and how severe each ever was."""

    scenario: Scenario
    incidents: list[Incident]
    worst: dict[int, Severity] = field(default_factory=dict)
    first_cause: dict[int, str] = field(default_factory=dict)
    summaries: list[str] = field(default_factory=list)
    """Every summary of every incident, as it was first reported or revised."""
    events: list[Event] = field(default_factory=list)
    """All that happened to incidents, in order."""
    explained: list[tuple[int, Incident]] = field(default_factory=list)
    """When a look showed that an incident explains something else than before, and how it stood then."""

    def alarms(self) -> Iterator[Incident]:
        return (each for each in self.incidents if self.worst[each.id] > Severity.NOTE)


def perform(
    scenario: Scenario,
    house: House | None = None,
    *,
    resting: bool = False,
    by_numpy: bool = False,
    look: Callable[[Snapshot], None] | None = None,
    restart_s: tuple[float, float] | None = None,
    reload_s: Sequence[float] = (),
) -> Performance:
    """Play a scenario: packets in batches, observations at their time, a tick every 50 ms.

    resting: as `serve`: ticks only when the engine wants them.
    by_numpy: without the compiled pass, which takes routine packets in the daemon if it is there.
    look: is given a snapshot a second.
    restart_s: from when to when the engine is away; the new one knows what a history would have kept.
    reload_s: when the house file is read again, with a universe more that nothing depends on. Ascending.
    """
    house = house or house_of(scenario.paper)
    engine = Engine(
        house,
        now_ns=BASE_NS,
        wall_offset_ns=WALL_OFFSET_NS,
        compiled=None if by_numpy else COMPILED,
        looking=None if by_numpy else LOOKING,
    )
    seen: dict[int, Incident] = {}
    worst: dict[int, Severity] = {}
    first_cause: dict[int, str] = {}
    summaries: dict[str, None] = {}
    events: list[Event] = []
    explained: list[tuple[int, Incident]] = []
    explains: dict[int, object] = {}
    look_due_ns = 0
    links: dict[int, LinkSeen] = {}
    joins: list[JoinSeen] = []
    drops, drops_before = DropsSeen(0, 0), DropsSeen(0, 0)
    """As played, and what of it was counted before a restart: new sockets count from 0."""
    homes: Mapping[str, object] = {}
    homes_due_ns = BASE_NS if restart_s is not None and len(house.networks) > 1 else sys.maxsize

    def listen() -> None:
        for event in engine.take_events():
            if event.incident is not None:
                events.append(event)
                keep(event.incident)

    def keep(incident: Incident) -> None:
        seen[incident.id] = incident
        worst[incident.id] = max(worst.get(incident.id, Severity.NOTE), incident.severity)
        first_cause.setdefault(incident.id, incident.cause)
        summaries[incident.summary] = None

    reloads_s = list(reload_s)
    for step_ns, items in _steps(scenario):
        if reloads_s and step_ns >= reloads_s[0] * 1e9:
            reloads_s.pop(0)
            house = with_one_more(house_of(scenario.paper), len(reloads_s))
            engine.take_house(house, BASE_NS + step_ns)
        if restart_s is not None and step_ns >= restart_s[0] * 1e9:
            if step_ns < restart_s[1] * 1e9:
                links.update({item.network: item for item in items if isinstance(item, LinkSeen)})
                joins += [item for item in items if isinstance(item, JoinSeen)]
                drops = next((item for item in reversed(items) if isinstance(item, DropsSeen)), drops)
                continue
            seen_again = [*links.values(), *joins, DropsSeen(0, 0)]
            stopped_ns = BASE_NS + round(restart_s[0] * 1e9)
            engine = restarted(engine, house, stopped_ns, BASE_NS + step_ns, seen_again, homes)
            restart_s, drops_before, homes_due_ns = None, drops, sys.maxsize
        waiting: list[Sent] = []
        has_change = False
        for item in items:
            if isinstance(item, Sent):
                waiting.append(item)
                continue
            has_change |= _ingest(engine, waiting, resting)
            if isinstance(item, DropsSeen):
                drops, item = item, _counted_since(item, drops_before)
            engine.observe(_moved(item))
            if isinstance(item, LinkSeen):
                links[item.network] = item
            elif isinstance(item, JoinSeen):
                joins.append(item)
            has_change = True
        has_change |= _ingest(engine, waiting, resting)
        if has_change or not resting or BASE_NS + step_ns >= engine.next_deadline_ns():
            engine.tick(BASE_NS + step_ns)
            listen()
            if look is not None and BASE_NS + step_ns >= look_due_ns:
                look_due_ns = BASE_NS + step_ns + LOOK_NS
                snapshot = engine.snapshot(BASE_NS + step_ns)
                look(snapshot)
                for incident in snapshot.incidents:
                    if explains.get(incident.id, ()) != incident.explains:
                        explains[incident.id] = incident.explains
                        explained.append((BASE_NS + step_ns, incident.copy()))
        if BASE_NS + step_ns >= homes_due_ns:
            homes_due_ns += LOOK_NS
            homes = homes_record(engine.snapshot(BASE_NS + step_ns), homes) or homes
    for incident in engine.snapshot(BASE_NS + round(scenario.seconds * 1e9)).incidents:
        keep(incident)
    found = sorted(seen.values(), key=lambda each: each.id)
    return Performance(scenario, found, worst, first_cause, list(summaries), events, explained)


@cache
def played(name: str) -> tuple[Performance, tuple[str, ...]]:
    """A scenario at every tick, once for all tests of a process, and what contradicted itself. Nobody changes it.

    Every other one is played by numpy, the reference of the compiled pass.
    """
    contradictions: list[str] = []
    performance = perform(
        SCENARIOS[name],
        by_numpy=list(SCENARIOS).index(name) % 2 == 0,
        look=lambda snapshot: contradictions.extend(violations(snapshot)),
    )
    return performance, tuple(contradictions)


def restarted(
    before: Engine,
    house: House,
    stopped_ns: int,
    now_ns: int,
    seen: Iterable[LinkSeen | JoinSeen | DropsSeen],
    homes: Mapping[str, object],
) -> Engine:
    """Start an engine that knows of an earlier one what the history keeps: as records, and as `serve` gives them.

    homes: by which network sources came, as the history keeps it.
    """
    left = before.snapshot(stopped_ns)
    lately = [one for one in left.incidents if one.closed_ns is None or now_ns - one.closed_ns < 60e9]
    engine = Engine(house, now_ns=now_ns, wall_offset_ns=WALL_OFFSET_NS, compiled=COMPILED)
    for item in seen:
        engine.observe(replace(item, t_ns=now_ns))
    engine.command(
        Resume(
            next_id=left.next_incident,
            incidents=tuple(incident_of(record(one), WALL_OFFSET_NS) for one in lately),
            phase=phase_of(phase_record(left.house, WALL_OFFSET_NS)),
            away=Absence(stopped_ns + WALL_OFFSET_NS, "not-running"),
            heard=tuple(_heard(left)),
            switches=tuple(up_times_of(up_times_record(left.switches, WALL_OFFSET_NS))),
            homes=tuple(homes_of(homes)[0]),
        )
    )
    return engine


def _heard(left: Snapshot) -> Iterator[tuple[str, int]]:
    """Universes that had frames, with the minute of the last one, as the history keeps it."""
    for name, last_ns in zip(left.universe_names, left.universes["last_frame_ns"].tolist(), strict=True):
        if last_ns:
            yield name, (last_ns + WALL_OFFSET_NS) // MINUTE_NS * MINUTE_NS


def roughened(scenario: Scenario, seed: int = 1) -> Scenario:
    """The same scenario over an ordinary network: up to 3 ms of jitter, one packet in 2,000 lost."""

    def items() -> Iterator[Item]:
        chance = Chance(seed)
        # What comes later than the next packet of its own stream would is overtaking, which 3 ms never is.
        late = stage.delayed(scenario.items(), lambda sent: chance.between(0.0, 0.003), 0.003)
        return stage.lossy(late, 0.0005, seed + 1)

    return replace(scenario, items=items)


def _ingest(engine: Engine, waiting: list[Sent], is_asked: bool) -> bool:
    """Hand them over; if asked, return whether they bring a change, which judging is woken for."""
    if not waiting:
        return False
    batch = batch_of(waiting)
    has_change = is_asked and engine.brings_change(batch)
    engine.ingest(batch)
    waiting.clear()
    return has_change


def _counted_since(seen: DropsSeen, before: DropsSeen) -> DropsSeen:
    kernel, ring, damaged = seen.kernel - before.kernel, seen.ring - before.ring, seen.damaged - before.damaged
    return DropsSeen(seen.t_ns, kernel, ring, damaged)


def _moved(item: Item) -> Item:
    if isinstance(item, RoutesSeen):
        return replace(item, t_ns=BASE_NS + item.t_ns, began_ns=BASE_NS + item.began_ns)
    return replace(item, t_ns=BASE_NS + item.t_ns)


def _steps(scenario: Scenario) -> Iterator[tuple[int, list[Item]]]:
    """Items of each step, with the time of the tick that follows them."""
    end_ns = STEP_NS
    items: list[Item] = []
    for item in scenario.items():
        while item.t_ns >= end_ns:
            yield end_ns, items
            items, end_ns = [], end_ns + _step_ns(scenario, end_ns)
        items.append(item)
    while end_ns <= scenario.seconds * 1e9:
        yield end_ns, items
        items, end_ns = [], end_ns + _step_ns(scenario, end_ns)


def _step_ns(scenario: Scenario, now_ns: int) -> int:
    """50 ms, as `serve` ticks, around the moment that is judged; a quarter of a second elsewhere, to save time."""
    truth, now_s = scenario.truth, now_ns / 1e9
    from_s = max(truth.began_s - 0.5, truth.due_s - 20.0)
    near = from_s <= now_s <= truth.due_s + 1.0 or now_s < 1.0
    return STEP_NS if near else 5 * STEP_NS


def seconds(t_ns: int) -> float:
    return (t_ns - BASE_NS) / 1e9


def line_of(incident: Incident) -> str:
    """One line of what was reported, for a person who reads a failed test."""
    return (
        f"{incident.severity.word} {incident.rule} cause={incident.cause or '-'} ({incident.confidence}) "
        f"{','.join(incident.universes)} opened {seconds(incident.opened_ns):.2f} s"
    )


def mismatches(performance: Performance) -> list[str]:
    """What is wrong with what was reported; nothing if it is the truth."""
    truth = performance.scenario.truth
    alarms = list(performance.alarms())
    if performance.scenario.is_healthy:
        return [f"false alarm: {line_of(each)}" for each in alarms]
    accepted = (truth.rule, *truth.instead)
    found = [each for each in performance.incidents if each.rule in accepted]
    wrong = [f"reported beside it: {line_of(each)}" for each in alarms if each.rule not in (*accepted, *truth.also)]
    wrong += [f"not explained: {line_of(each)}" for each in performance.incidents if each.rule in truth.explains]
    exact = [each for each in found if each.rule == truth.rule]
    main = min(exact or found, key=lambda each: each.opened_ns, default=None)
    if main is None:
        heard = "; ".join(line_of(each) for each in performance.incidents) or "nothing"
        return [f"missed {truth.rule} (reported: {heard})", *wrong]
    if len(exact) > 1:
        wrong.append(f"{len(exact)} incidents of one cause: " + "; ".join(line_of(each) for each in exact))
    return wrong + _judged(main, performance)


def _judged(incident: Incident, performance: Performance) -> list[str]:
    truth = performance.scenario.truth
    wrong = []
    opened_s = seconds(incident.opened_ns)
    if opened_s > truth.due_s + LATEST_S:
        wrong.append(f"late: opened {opened_s:.2f} s, due {truth.due_s:.2f} s")
    if incident.rule == truth.rule and opened_s < truth.due_s - truth.early_s:
        wrong.append(f"early: opened {opened_s:.2f} s, due {truth.due_s:.2f} s")
    if opened_s < truth.began_s:
        wrong.append(f"early: opened {opened_s:.2f} s, began {truth.began_s:.2f} s")
    if truth.cause and incident.cause not in (truth.cause, *truth.causes):
        wrong.append(f"cause {incident.cause}, not {truth.cause}")
    if truth.universes and set(incident.universes) != set(truth.universes):
        wrong.append(f"universes {incident.universes}, not {truth.universes}")
    worst = performance.worst[incident.id].word
    if worst != truth.severity and incident.rule == truth.rule:
        wrong.append(f"{worst}, not {truth.severity}")
    texts = " ".join((incident.summary, *incident.evidence, *incident.still_working))
    wrong += [f"does not say {words!r}: {texts}" for words in truth.says if words not in texts]
    wrong += [
        f"says {words!r}: {summary}" for words in truth.unsaid for summary in performance.summaries if words in summary
    ]
    if _CONFIDENCES.index(incident.confidence) > _CONFIDENCES.index(Confidence(truth.confidence)):
        wrong.append(f"claims {incident.confidence}, at most {truth.confidence}")
    return wrong
