"""Levels by look-up are those of the full merge: one winner, equal priorities, priorities by slot, two networks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from slotwatch.edge.shared.compiled import load_levels
from slotwatch.house.schema import DeclaredUniverse, Network
from slotwatch.model.lightplan import SlotList
from slotwatch.model.winning import Levels, any_above, merged_universes, winning_levels
from slotwatch.wire.universe import Protocol, UniverseId
from tests.compiling import Built
from tests.judge.stage import Desk, Stage, house_of

RNG = np.random.default_rng(7)
A, B, C = (RNG.integers(0, 255, 512, np.uint8).tobytes() for _ in range(3))


def desk(number: int, levels: bytes, **more: object) -> Desk:
    return Desk(f"Desk {number}", (1,), f"10.0.0.{number}", number, levels=lambda t: levels, **more)  # type: ignore[arg-type]


SENDERS = {
    "one": [desk(1, A)],
    "higher priority": [desk(1, A), desk(2, B, priority=150)],
    "equal priorities": [desk(1, A), desk(2, B)],
    "priorities by slot": [
        desk(1, A),
        desk(2, B),
        # Its first 100 slots are nobody's, the rest come before the others'.
        Desk(
            "Desk 2", (1,), "10.0.0.2", 2, levels=lambda t: bytes(100) + b"\xc8" * 412, start_code=0xDD, phase_s=0.005
        ),
    ],
    "nobody": [desk(1, A, to_s=0.5)],
}


@pytest.mark.parametrize("name", SENDERS)
def test_look_up_is_the_merge(name: str) -> None:
    stage = Stage(house_of((1, 2)), *SENDERS[name]).run(4.0)
    rows = np.arange(stage.model.universes.top)
    wanted = stage.model.winner_levels(rows)[0]
    assert winning_levels(stage.model, rows).tolist() == wanted.tolist()
    levels = Levels(stage.model, 2)
    held = levels.universe(0)
    assert (held is None) == (name == "nobody")
    if held is not None:
        assert held.tolist() == wanted[0].tolist()
        some = SlotList([(0, 5, 0), (0, 300, 0), (1, 5, 0), (0, 511, 1)])
        assert levels.of(some).tolist() == [wanted[0, 5], wanted[0, 300], 0, wanted[0, 511]]
        assert levels.known(some).tolist() == [True, True, False, True]
    assert bool(merged_universes(stage.model, slice(0, 1))[0]) == (name in ("equal priorities", "priorities by slot"))


def test_the_network_that_is_alive_speaks() -> None:
    """A universe expected on two networks, dead on the first, is read on the second."""
    networks = (Network("A", "eth1"), Network("B", "eth2"))
    declared = (DeclaredUniverse(UniverseId(Protocol.E131, 1), networks=(0, 1)),)
    house = replace(house_of(()), networks=networks, universes=declared)
    stage = Stage(house, desk(1, A, to_s=1.0), desk(2, B, network=1)).run(0.9)
    held = Levels(stage.model, 1).universe(0)
    assert held is not None and held.tobytes() == A
    held = Levels(stage.run(6.0).model, 1).universe(0)
    assert held is not None and held.tobytes() == B


@pytest.mark.parametrize("name", SENDERS)
def test_levels_above_zero_are_those_of_the_merge_by_both_ways(built: Built, name: str) -> None:
    """Masks of single slots, of many and of none, several of them, on universes with one sender, two and none."""
    stage = Stage(house_of((1, 2)), *SENDERS[name]).run(4.0)
    shown = stage.model.winner_levels(np.arange(stage.model.universes.top))[0] > 0
    answers = []
    for _ in range(60):
        masks = (RNG.random((3, 512)) < RNG.choice([0.0, 0.002, 0.01, 0.5])).astype(np.uint8) * 255
        rows = np.flatnonzero(RNG.random(len(shown)) < 0.7)
        mask_of = RNG.integers(0, 3, len(rows))
        wanted = (shown[rows] & (masks[mask_of] > 0)).any(axis=1)
        for way in (None, built(load_levels)):
            stage.model.compiled_levels = way
            assert any_above(stage.model, rows, masks.view(np.uint64), mask_of).tolist() == wanted.tolist()
        answers += wanted.tolist()
    assert any(answers) == (name != "nobody")
    assert not all(answers)
