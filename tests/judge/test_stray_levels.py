"""Universes whose levels fit the patch of another one, found many at once, against sets of slots one by one."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from slotwatch.house.schema import DeclaredUniverse, Fixture, House
from slotwatch.judge.patched import PatchedSlots
from slotwatch.judge.rules import stray_levels
from slotwatch.judge.rules.stray_levels import StrayLevelsParameters, fitting_universes
from slotwatch.wire.universe import Protocol, UniverseId

from .stage import Desk, Stage, house_of

P = StrayLevelsParameters()
PROTOCOLS = (Protocol.E131, Protocol.ARTNET)


def drawn(random: np.random.Generator, universes: int) -> tuple[House, list[set[int]], np.ndarray[Any, np.dtype[Any]]]:
    """A house of few patches that many universes share, what each universe uses, and levels that fit some of them."""
    ids = [UniverseId(PROTOCOLS[n % 3 == 2], n + 1) for n in range(universes)]
    kinds = [sorted({1 + int(first) * 8 for first in random.integers(0, 60, 4)}) for _ in range(universes // 4)]
    kinds.append([])
    of = [kinds[int(random.integers(len(kinds)))] for _ in ids]
    fixtures = [Fixture(f"{n}-{first}", one, first, ("intensity",) * 8) for n, one in enumerate(ids) for first in of[n]]
    used = [{first + k for first in firsts for k in range(8)} for firsts in of]
    levels = np.zeros((universes, 512), np.uint8)
    for row in range(universes):
        lit = set(used[int(random.integers(universes))])
        lit -= set(random.permutation(sorted(lit))[: int(random.integers(0, 3)) * 8].tolist())
        lit |= set((1 + random.permutation(512)[: int(random.choice([0, 0, 1, 12]))]).tolist())
        levels[row, [slot - 1 for slot in lit]] = random.integers(1, 256, len(lit))
    return House(universes=tuple(map(DeclaredUniverse, ids)), fixtures=tuple(fixtures)), used, levels


def fitting(house: House, used: list[set[int]], own: int, lit: set[int]) -> UniverseId | None:
    """The same by the meaning of the numbers beside the rule (docs/rules.md), slot by slot."""
    if len(lit) < P.fit_slots or len(used[own] & lit) > P.own_fit_ratio * len(lit):
        return None
    universes = [one.id for one in house.universes]
    fit = [
        one
        for number, one in enumerate(universes)
        if number != own
        and one.protocol is universes[own].protocol
        and len(used[number] & lit) >= P.other_fit_ratio * len(lit)
        and len(used[number] & lit) >= P.covered_ratio * max(1, len(used[number]))
    ]
    return min(fit, key=lambda one: abs(one.number - universes[own].number), default=None)


@pytest.mark.parametrize("pairs_at_once", [1, 64, stray_levels.COMPARED_AT_ONCE])
def test_many_at_once_fit_what_each_fits_alone(monkeypatch: pytest.MonkeyPatch, pairs_at_once: int) -> None:
    monkeypatch.setattr(stray_levels, "COMPARED_AT_ONCE", pairs_at_once)
    found = 0
    for seed in range(6):
        random = np.random.default_rng(seed)
        house, used, levels = drawn(random, 60)
        declared = random.permutation(60).astype(np.int32)
        ctx: Any = SimpleNamespace(
            house=house, universes=SimpleNamespace(declared=declared), model=SimpleNamespace(levels=levels)
        )
        rows = np.sort(random.permutation(60)[:50])
        expected = {}
        for row in rows.tolist():
            other = fitting(house, used, int(declared[row]), set((np.flatnonzero(levels[row]) + 1).tolist()))
            if other is not None:
                expected[row] = other
        assert fitting_universes(ctx, rows, PatchedSlots(house), P) == expected
        found += len(expected)
    assert found > 30  # or the draw shows nothing


def test_universes_are_described_alike_however_many_are_looked_at_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten universes with four patches in turn: each has the levels of the next patch, some a chase besides."""
    numbers = range(1, 11)
    fixtures = tuple(
        Fixture(f"{n}-{k}", UniverseId(Protocol.E131, n), 1 + 40 * (n % 4) + k, ("intensity",))
        for n in numbers
        for k in range(20)
    )

    def levels(n: int, t: float) -> bytes:
        lit = {40 * ((n + 1) % 4) + k for k in range(20)} | ({300 + int(t * 3) % 5} if n % 3 == 0 else set())
        return bytes(90 if slot in lit else 0 for slot in range(512))

    def shown() -> list[tuple[str, tuple[str, ...], tuple[str, ...]]]:
        desks = [Desk(f"Desk {n}", (n,), number=n, hz=20.0, levels=lambda t, n=n: levels(n, t)) for n in numbers]
        stage = Stage(replace(house_of(tuple(numbers)), fixtures=fixtures), *desks).run(9)
        return [(one.summary, one.evidence, one.universes) for one in stage.all if one.rule == "stray-levels"]

    found = []
    for at_once in (1, 3, 256):
        monkeypatch.setattr(stray_levels, "DESCRIBED_AT_ONCE", at_once)
        found.append(shown())
    assert found[0] == found[1] == found[2]
    fits = [text for _, evidence, _ in found[0] for text in evidence if "fit the patch of" in text]
    assert fits and sum(len(universes) for *_, universes in found[0]) == len(numbers)
