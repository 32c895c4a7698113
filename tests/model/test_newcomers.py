"""New streams that are let in together, against the same streams let in one after the other."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Network
from slotwatch.model import newcomers as of_newcomers
from slotwatch.model.model import Model
from slotwatch.wire.universe import Protocol, UniverseId
from tests.model.packets import MS, SECOND, START, Bench, Sent, artnet, cid, e131
from tests.sweep import swept

HOUSE = House(
    networks=(Network("A", "eth1"), Network("B", "eth2")),
    universes=tuple(DeclaredUniverse(UniverseId(Protocol.E131, number), networks=(0, 1)) for number in (1, 2, 3)),
    sources=(
        DeclaredSource("desk", cid=cid(1), address="10.20.0.10"),
        DeclaredSource("backup", source_name="Desk B"),
        DeclaredSource("media", address="10.20.0.12"),
    ),
)
SIZES = (1, 2, 7, 40, 150)
MODES = ("roomy", "few streams", "few sources", "spent")


def newcomers(random_: random.Random) -> list[Sent]:
    """Declared, known, new and forged senders of both protocols on both networks, some silent long before the end."""
    sent, at_ns = [], START
    crowded, share = random_.randrange(2, 9), random_.choice((0.1, 0.6))
    for _ in range(random_.randrange(200, 700)):
        at_ns += random_.choice((0, 1_000, 50_000, MS))
        if random_.random() < 0.01:
            at_ns += random_.choice((SECOND, 6 * SECOND))
        network = random_.randrange(2)
        universe = crowded if random_.random() < share else random_.choice((1, 2, 3, random_.randrange(1, 400)))
        who = random_.choice((1, 2, 3, random_.randrange(4, 40), random_.randrange(40, 60_000)))
        address = f"10.20.{network}.{9 + who}" if who < 40 else f"10.{who >> 8}.{who & 255}.9"
        if random_.random() < 0.2:
            packet, protocol = artnet(bytes(8), universe=universe, sequence=1), Protocol.ARTNET
        else:
            name = {1: b"Desk A", 2: b"Desk B"}.get(who, b"x")
            packet, protocol = e131(bytes(8), universe=universe, source=cid(who), name=name), Protocol.E131
        sent.append(Sent(at_ns, packet, address, protocol=protocol, network=network))
    return sent


def bench_for(mode: str) -> Bench:
    bench = Bench(HOUSE)
    streams = bench.model.streams
    if mode == "few streams":
        streams.bound = 90
    elif mode == "few sources":
        streams.sources.bound = 45
    elif mode == "spent":
        bench.model.newcomers.allowances = [4.0, 2.0]
    return bench


def state(model: Model) -> dict[str, Any]:
    """All that is known of streams, universes and sources."""
    streams, universes, sources = model.streams, model.universes, model.sources
    found: dict[str, Any] = {
        f"{type(table).__name__}.{name}": getattr(table, name)[: table.top].tolist()
        for table in (streams, universes, sources)
        for name in table.column_names
    }
    found |= {"universes": universes.by_place, "sources": sources.by_key, "order": list(universes.by_place)}
    found |= {"shown": list(sources), "revision": universes.revision, "allowances": model.newcomers.allowances}
    return found | {"evicted": model.evictions, "unkept": model.unkept, "unkept_ns": streams.last_unkept_ns}


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("seed", swept(range(40), every=10))
def test_new_streams_come_in_together_as_they_do_one_by_one(
    seed: int, mode: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reference: the same batches, each new stream let in by itself. The same rows, order, bounds, refusals, and who
    made room."""
    sent = newcomers(random.Random(seed))
    together, one_by_one = bench_for(mode), bench_for(mode)
    size = random.Random(seed).choice(SIZES[1:])
    together.feed_split(sent, [size])
    monkeypatch.setattr(of_newcomers, "have_room_for", lambda *_: False)
    one_by_one.feed_split(sent, [size])
    for bench in (together, one_by_one):
        bench.model.advance(sent[-1].t_ns + 150 * MS)
    expected, found = state(one_by_one.model), state(together.model)
    assert [name for name in expected if found[name] != expected[name]] == []


@pytest.mark.parametrize("mode", MODES)
def test_where_a_bound_may_be_reached_each_is_let_in_by_itself(mode: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """So the sweep above compares both: in each mode many come in together, and where a bound is near some are
    refused."""
    answers: list[bool] = []
    ask = of_newcomers.have_room_for
    monkeypatch.setattr(of_newcomers, "have_room_for", lambda *given: answers.append(ask(*given)) or answers[-1])
    refused = 0
    for seed in range(3):
        bench = bench_for(mode)
        bench.feed_split(newcomers(random.Random(seed)), [40])
        refused += sum(bench.model.unkept.values())
    assert answers.count(True) > 5
    assert mode == "roomy" or (False in answers and refused > 0)


def test_as_many_rows_as_are_left_are_given_and_no_more() -> None:
    """Reference: `add`, row by row, also where rows are used again."""
    one, many = Bench().model.universes, Bench().model.universes
    for table in (one, many):
        table.bound = 100
        for row in [table.add() for _ in range(20)][3:9]:
            table.remove(row)
    assert many.add_many(70).tolist() == [one.add() for _ in range(70)]
    assert many.add_many(0).tolist() == []
    for name in one.column_names:
        assert np.array_equal(getattr(one, name), getattr(many, name))
    assert (many.filled, many.top, many.capacity) == (one.filled, one.top, one.capacity) == (84, 84, 100)
    with pytest.raises(IndexError):
        many.add_many(17)
    assert many.filled == 84
