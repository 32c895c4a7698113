"""What a flood left is forgotten no earlier than was promised: until then no rule has to look."""

from __future__ import annotations

import random

import pytest

from slotwatch.house.schema import DeclaredSource, House
from slotwatch.model.admission import MOST_BRIEF, MOST_CLONES
from slotwatch.model.model import Model
from tests.model.packets import MS, SECOND, START, Bench, Sent, cid, e131

LASTS_S = 150
STEP_NS = 100 * MS
REST_NS = 900 * MS
"""A source at rest sends one packet every 800 to 1000 ms (ANSI E1.31-2018 6.6.2)."""
LONGEST_GAP_NS = 1_500 * MS


def strangers(chance: random.Random, count: int, *, clones: bool) -> list[Sent]:
    """Senders that come within seconds, each for a while of its own. clones: all have the desk's identity."""
    sent = []
    for number in range(2, count + 2):
        begins_ns = START + chance.randrange(5 * SECOND)
        lasts_ns = chance.choice((0, 4, 8, 20)) * SECOND
        packet = e131(bytes(8), universe=200 + number, source=cid(1 if clones else number))
        address = f"10.20.1.{number}"
        sent += [Sent(begins_ns + at_ns, packet, address) for at_ns in range(0, lasts_ns + 1, REST_NS)]
    return sorted(sent, key=lambda one: one.t_ns)


def known(model: Model) -> tuple[int, int]:
    """How many streams and sources there are."""
    return model.streams.filled, model.sources.filled


@pytest.mark.parametrize("clones", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_forgotten_earlier_than_was_promised_while_nothing_comes(seed: int, clones: bool) -> None:
    bench = Bench(House(sources=(DeclaredSource("Desk A", cid=cid(1)),)))
    bench.feed([Sent(START, e131(bytes(8), universe=number)) for number in range(1, 71)])
    bench.feed(strangers(random.Random(seed), 160, clones=clones))
    model, promised_ns, forgotten, kept_promises = bench.model, 0, 0, 0
    for at_ns in range(model.now_ns, model.now_ns + LASTS_S * SECOND, STEP_NS):
        before = known(model)
        model.advance(at_ns)
        forgotten += max(0, before[0] - known(model)[0])
        assert known(model) == before or at_ns >= promised_ns
        promised_ns = model.holds_until_ns()
        kept_promises += promised_ns > at_ns + SECOND
    assert forgotten > (MOST_CLONES if clones else MOST_BRIEF), "the flood was forgotten"
    assert kept_promises * 2 > LASTS_S * SECOND // STEP_NS, "most of the time it is known how long nothing changes"


@pytest.mark.parametrize("clones", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_forgotten_earlier_than_was_promised_while_a_house_is_at_rest(seed: int, clones: bool) -> None:
    bench = Bench(House(sources=(DeclaredSource("Desk A", cid=cid(1)),)))
    rest = [e131(bytes(8), universe=number) for number in range(1, 71)]
    came = strangers(random.Random(seed), 160, clones=clones)
    end_ns = came[-1].t_ns + SECOND
    model, promised_ns, forgotten, kept_promises, steps = bench.model, 0, 0, 0, 0
    for at_ns in range(START, end_ns + LASTS_S * SECOND, REST_NS):
        bench.feed(one for one in came if at_ns - REST_NS < one.t_ns <= at_ns)
        before = known(model)
        bench.feed(Sent(at_ns, packet) for packet in rest)
        model.advance(at_ns)
        forgotten += max(0, before[0] - known(model)[0])
        if at_ns <= end_ns:
            continue
        assert known(model) == before or at_ns >= promised_ns
        promised_ns = model.forgets_at_rest_ns(LONGEST_GAP_NS) or 0
        steps, kept_promises = steps + 1, kept_promises + (promised_ns > at_ns + SECOND)
    assert forgotten > (MOST_CLONES if clones else MOST_BRIEF), "the flood was forgotten"
    assert kept_promises * 2 > steps, "most of the time it is known how long nothing changes"
