"""When a whole house is back: thousands of losses together say what each one says alone."""

from __future__ import annotations

from datetime import UTC

import numpy as np
import pytest

from slotwatch.house.schema import House, Phase
from slotwatch.judge.binding import Finding
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.context import RuleContext
from slotwatch.judge.listener import Listener
from slotwatch.judge.raised import Raised
from slotwatch.judge.returns import when_returned_ns
from tests.model.packets import MS, SECOND, START, Bench, Sent, cid, e131
from tests.sweep import swept

UNIVERSES = 40
LOSSES = ("universe-lost", "universe-missing")


def a_pass(chance: np.random.Generator) -> RuleContext:
    """A pass over universes of one to three sources, of which some fell silent and some of those came back."""
    sent = []
    for number in range(1, UNIVERSES + 1):
        for source in range(int(chance.integers(1, 4))):
            begins, ends, returns = np.sort(chance.integers(0, 12_000, 3)) * MS
            for place, span in enumerate(((begins, ends), (returns, 12 * SECOND))):
                if place and chance.random() < 0.3:
                    continue
                times_ns = range(START + int(span[0]), START + int(span[1]), 500 * MS)
                sent += [
                    Sent(t_ns, e131([1], universe=number, sequence=turn % 256, source=cid(source)))
                    for turn, t_ns in enumerate(times_ns)
                ]
    bench, now_ns = Bench(), START + 13 * SECOND
    bench.feed(sorted(sent, key=lambda one: one.t_ns))
    model = bench.model
    model.advance(now_ns)
    return RuleContext(
        model,
        House(),
        Listener(START),
        now_ns=now_ns,
        started_ns=START,
        phase=Phase.SHOW,
        phase_since_ns=START,
        wall_offset_ns=0,
        zone=UTC,
    )


def losses(chance: np.random.Generator, ctx: RuleContext, count: int) -> list[Raised]:
    made = []
    for number in range(count):
        since_ns = START + int(chance.integers(0, 12_000)) * MS
        rows = tuple(chance.choice(ctx.universes.count, int(chance.integers(1, 3)), replace=False).tolist())
        rule = CATALOG[LOSSES[int(chance.integers(0, 2))]]
        true_ns = since_ns + int(chance.integers(0, 3_000)) * MS
        case = Raised(rule, number, Finding(f"case:{number}", since_ns, universes=rows), since_ns, true_ns, true_ns)
        case.holds, case.over = False, bool(chance.random() < 0.999)
        made.append(case)
    return made


@pytest.mark.parametrize("seed", swept(range(40), every=8))
def test_many_losses_are_over_when_the_last_of_them_is(seed: int) -> None:
    chance = np.random.default_rng(seed)
    ctx = a_pass(chance)
    several = losses(chance, ctx, 200)
    alone = [when_returned_ns(ctx, [case]) for case in several]
    assert any(one is None for one in alone) and any(alone)
    known = [case for case, one in zip(several, alone, strict=True) if one is not None]
    assert when_returned_ns(ctx, known) == max(one for one in alone if one is not None)
    assert when_returned_ns(ctx, several) is None
    for first in range(0, 160, 20):
        part, each = several[first : first + 20], alone[first : first + 20]
        assert when_returned_ns(ctx, part) == (None if None in each else max(one for one in each if one is not None))
