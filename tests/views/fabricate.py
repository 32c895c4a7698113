"""A made-up snapshot of any size, for tests of what is shown: nothing in it came over a network."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from uuid import UUID

import numpy as np

from slotwatch.house.schema import DeclaredUniverse, Fixture, House, Network
from slotwatch.snapshot import (
    Acknowledgement,
    Confidence,
    HouseView,
    Incident,
    Severity,
    Snapshot,
    SourceRow,
    TimelineEntry,
    UniverseState,
)
from slotwatch.snapshot.columns import STREAM_COLUMNS, UNIVERSE_COLUMNS
from slotwatch.snapshot.health import IntakeReport, ListenerHealth
from slotwatch.snapshot.readiness import Readiness, Reason
from slotwatch.snapshot.routes import LatencyCounts, RouteRow
from slotwatch.snapshot.slot_owners import none_owned
from slotwatch.snapshot.stage import RackRow, SupplyEstimate, WayLoad
from slotwatch.wire.universe import Protocol, UniverseId

SECOND_NS = 1_000_000_000
NOW_NS = 5_000 * SECOND_NS
WALL_OFFSET_NS = 1_767_225_600 * SECOND_NS - NOW_NS  # 2026-01-01T00:00:00Z is now
CID = UUID("6f1c2a70-0000-4000-8000-000000000001")


def house(universes: int = 3) -> House:
    return House(
        name="Harbour Street Playhouse",
        time_zone="Europe/London",
        networks=(Network("eth1", "eth1"),),
        universes=tuple(
            DeclaredUniverse(UniverseId(Protocol.E131, n + 1), label=f"Label {n + 1}") for n in range(universes)
        ),
        fixtures=(
            Fixture("101", UniverseId(Protocol.E131, 1), 1, ("intensity", "red", "green", "blue"), profile="par"),
            Fixture("102", UniverseId(Protocol.E131, 1), 510, ("pan", "tilt", "intensity"), label="Bar 2"),
        ),
    )


def sources() -> tuple[SourceRow, ...]:
    return (
        SourceRow(
            Protocol.E131,
            CID.bytes,
            "10.20.0.10",
            0,
            "Desk A",
            declared_as="main desk",
            role="main",
            first_seen_ns=NOW_NS - 100 * SECOND_NS,
            last_seen_ns=NOW_NS - SECOND_NS // 50,
            listed=(1, 2),
        ),
        SourceRow(Protocol.ARTNET, bytes(16), "10.20.0.30", 0, "", first_seen_ns=NOW_NS - 9 * SECOND_NS),
        SourceRow(Protocol.ARTNET, bytes(15) + b"\x02", "10.20.0.30", 0, 'Node "B"\n\\', first_seen_ns=NOW_NS),
    )


def incident(number: int = 7, **changes: Any) -> Incident:
    found = Incident(
        id=number,
        rule="universe-lost",
        severity=Severity.CRITICAL,
        cause="source-lost",
        confidence=Confidence.HIGH,
        began_ns=NOW_NS - 10 * SECOND_NS,
        opened_ns=NOW_NS - 7 * SECOND_NS,
        universes=("e131/2",),
        sources=("main desk",),
        source_keys=(str(CID),),
        summary='Universe e131/2 ("Label 2") is lost.',
        evidence=("Last frame 10.0 s ago.",),
        explains=(("source-absent", ("e131/2",)),),
        next_checks=("Look at the desk.",),
        timeline=(TimelineEntry(NOW_NS - 7 * SECOND_NS, "Opened.", "opened"),),
        revision=1,
        wall_offset_ns=WALL_OFFSET_NS,
    )
    made = replace(found, **{"known_as": changes.get("rule", found.rule), **changes})
    universe = made.universes[0] if len(made.universes) == 1 else ""
    return replace(made, settled_as=changes.get("settled_as", (made.known_as, made.cause, universe)))


def rack(name: str, estimated_a: float, ways: tuple[WayLoad, ...] = ()) -> RackRow:
    supplies = (SupplyEstimate(1, estimated_a, estimated_a, 40.0, 63.0),)
    return RackRow(name, "e131/1", True, 230.0, ways, supplies, None, None, None, "An estimate.")


def route(name: str, target: str = "artnet/3", **changes: Any) -> RouteRow:
    """A route that is at work."""
    found = RouteRow(
        name=name,
        source="e131/1",
        target=target,
        target_network="eth1",
        state="running",
        text="Sends.",
        state_s=60.0,
        frames=77,
        p50_ms=0.4,
        p99_ms=1.2,
        latency=LatencyCounts((0.001,), (70, 7), 0.1),
        is_held=False,
        is_all_zero=False,
        then="stop",
        priority=100,
        input_refused_packets=0,
        input_discarded_packets=0,
    )
    return replace(found, **changes)


def snapshot(universes: int = 3, **changes: Any) -> Snapshot:
    """The first universe steady, the second lost, the last (of Art-Net, undeclared) never heard; the rest steady."""
    columns = {name: np.zeros(universes, kind) for name, kind in UNIVERSE_COLUMNS}
    columns["protocol"][:] = Protocol.E131
    columns["number"][:] = np.arange(1, universes + 1)
    columns["declared"][:] = True
    columns["expected"][:] = True
    columns["refresh_hz"][:] = 44.0
    for name, value in (("p50", 22.7), ("p95", 23.5), ("p99", 24.0), ("max", 31.25)):
        columns[f"interval_{name}_ms"][:] = value
    columns["frames"][:] = 4400
    columns["lost_frames"][:] = 2
    columns["slots"][:] = 512
    columns["priority"][:] = 100
    columns["winning_stream"][:] = np.arange(universes)
    columns["streams"][:] = 1
    columns["last_frame_ns"][:] = NOW_NS - SECOND_NS // 50
    columns["first_frame_ns"][:] = NOW_NS - 100 * SECOND_NS
    columns["last_change_ns"][:] = NOW_NS - SECOND_NS
    streams = {name: np.zeros(universes, kind) for name, kind in STREAM_COLUMNS}
    streams["universe_row"][:] = np.arange(universes)
    for name in ("refresh_1s_hz", "refresh_5s_hz", "refresh_10s_hz"):
        streams[name][:] = 44.0
    for name in ("slots", "priority", "frames", "lost_frames", "last_frame_ns", "first_frame_ns", "last_change_ns"):
        streams[name][:] = columns[name]
    for name in ("p50", "p95", "p99", "max"):
        streams[f"interval_{name}_ms"][:] = columns[f"interval_{name}_ms"]
    names = [f"e131/{n + 1}" for n in range(universes)]
    if universes > 1:
        columns["state"][1] = UniverseState.LOST
        columns["refresh_hz"][1] = np.nan
        columns["winning_stream"][1] = -1
        columns["last_frame_ns"][1] = NOW_NS - 10 * SECOND_NS
        columns["streams"][1] = 0
        streams["state"][1] = 1
        streams["last_frame_ns"][1] = columns["last_frame_ns"][1]
    if universes > 2:
        last = universes - 1
        names[last] = "artnet/0"
        columns["protocol"][last], columns["number"][last] = Protocol.ARTNET, 0
        columns["declared"][last] = columns["expected"][last] = False
        for name in ("last_frame_ns", "first_frame_ns", "frames", "last_change_ns", "slots"):
            columns[name][last] = 0
        columns["refresh_hz"][last] = np.nan
        columns["state"][last] = UniverseState.NOT_VISIBLE
        columns["winning_stream"][last] = -1
        streams["source"][last] = 1
    levels = np.zeros((universes, 512), np.uint8)
    levels[0, :4] = (255, 128, 0, 1)
    slot_owners = none_owned(universes)
    slot_owners.stream[0], slot_owners.slots[0] = 0, 512
    found = Snapshot(
        sequence=1,
        now_ns=NOW_NS,
        wall_offset_ns=WALL_OFFSET_NS,
        started_ns=NOW_NS - 100 * SECOND_NS,
        house=HouseView(
            name="Harbour Street Playhouse",
            phase="show",
            phase_since_ns=NOW_NS - 60 * SECOND_NS,
            vantage="port",
            networks=("eth1",),
            house_file="house.toml",
            listener=ListenerHealth(),
        ),
        universes=columns,
        universe_names=tuple(names),
        universe_labels=tuple(f"Label {n + 1}" if columns["declared"][n] else "" for n in range(universes)),
        streams=streams,
        sources=sources(),
        levels=levels,
        slot_owners=slot_owners,
        incidents=(
            incident(),
            incident(
                3,
                rule="slow-refresh",
                severity=Severity.WARNING,
                universes=("e131/1",),
                closed_ns=NOW_NS - 20 * SECOND_NS,
                opened_ns=NOW_NS - 50 * SECOND_NS,
                acknowledged=Acknowledgement("Ann", NOW_NS - 40 * SECOND_NS, "seen"),
            ),
        ),
    )
    found = replace(found, **changes)
    if "readiness" not in changes:
        lost = (one for one in found.incidents if one.closed_ns is None)
        found.readiness = Readiness(tuple(Reason(one.rule, one.summary, one.universes) for one in lost))
    return found


def listening() -> Snapshot:
    """The same once intake has said which sockets it opened."""
    found = snapshot()
    found.house.listener = ListenerHealth(intake=IntakeReport({"e131": 212_992}))
    return found
