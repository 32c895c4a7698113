"""Watched slots are followed alike by numpy and by the compiled way, in whatever pieces the frames come.

What counts as a flash or a torn pair is held by the tests of the rules; here numpy is the reference.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from slotwatch.edge.shared.compiled import load
from slotwatch.model.flashes import FRESH_NS, WINDOW_NS, Flashes, PairLevels
from tests.compiling import Built
from tests.model.packets import MS, SECOND, START
from tests.sweep import swept

ROWS = 7


def moving(chance: np.random.Generator, frames: int, width: int) -> NDArray[np.uint8]:
    """Levels that fade, flash, jump and stand still, frame by frame."""
    level = np.cumsum(chance.choice([0, 0, 1, -1, 30, -30, 130], (frames, width)), axis=0)
    flash = chance.random((frames, width)) < 0.3
    return np.where(flash, chance.integers(0, 256, (frames, width)), level % 256).astype(np.uint8)


def around_a_coarse_step(chance: np.random.Generator, rows: NDArray[np.int64], width: int) -> NDArray[np.uint8]:
    """16-bit values that cross a coarse step back and forth; now and then the fine slot is a frame late."""
    made = np.zeros((len(rows), 2 * width), np.uint8)
    value = np.full((ROWS, width), 120 * 256 - 10)
    for frame, row in enumerate(rows.tolist()):
        after = np.where(chance.random(width) < 0.5, 120 * 256 + chance.integers(-28, 28, width), value[row])
        torn = chance.random(width) < 0.5
        made[frame, :width] = after // 256
        made[frame, width:] = np.where(torn, value[row], after) % 256
        value[row] = after
    return made


def in_pieces(
    chance: np.random.Generator, rows: NDArray[np.int64], t_ns: NDArray[np.int64], level: NDArray[np.uint8]
) -> list[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.uint8]]]:
    edges = [0, *np.sort(chance.integers(0, len(rows), 6)).tolist(), len(rows)]
    return [(rows[a:b], t_ns[a:b], level[a:b]) for a, b in pairwise(edges) if b > a]


@pytest.mark.parametrize("seed", swept(range(24), every=4))
def test_flashes_are_the_same_on_both_ways(built: Built, seed: int) -> None:
    compiled = built(load)
    chance = np.random.default_rng(seed)
    width, frames = int(chance.integers(1, 5)), 900
    rows, t_ns = chance.integers(0, ROWS, frames), START + np.cumsum(chance.integers(0, 12, frames)) * MS
    plain, fast = Flashes(ROWS, width), Flashes(ROWS, width, compiled)
    fast_enough = False
    for row, at_ns, level in in_pieces(chance, rows, t_ns, moving(chance, frames, width + 2)[:, 1 : width + 1]):
        order = np.argsort(row, kind="stable")
        plain.take(row[order], at_ns[order], level[order])
        fast.take(row, at_ns, level)
        for name in ("extreme", "rising", "seen", "times_ns"):
            assert np.array_equal(getattr(plain, name), getattr(fast, name)), name
        first_ns, last_ns = fast.times_ns[..., 0], fast.times_ns[..., -1]
        for now_ns in (int(at_ns[-1]) + MS, int(at_ns[-1]) + FRESH_NS // 2, int(last_ns.max()) + FRESH_NS):
            wanted = (first_ns > 0) & (last_ns - first_ns < WINDOW_NS) & (now_ns - last_ns < FRESH_NS)
            assert np.array_equal(plain.too_fast(now_ns), wanted)
            assert np.array_equal(fast.too_fast(now_ns), wanted)
            fast_enough |= bool(wanted.any())
    assert fast_enough, "the levels flash often enough to be told"


@pytest.mark.parametrize("seed", swept(range(24), every=4))
def test_torn_pairs_are_the_same_on_both_ways(built: Built, seed: int) -> None:
    compiled = built(load)
    chance = np.random.default_rng(seed + 100)
    width, frames = int(chance.integers(1, 3)), 900
    rows, t_ns = chance.integers(0, ROWS, frames), START + np.cumsum(chance.integers(0, 30, frames)) * MS
    level = around_a_coarse_step(chance, rows, width)
    plain, fast = PairLevels(ROWS, width), PairLevels(ROWS, width, compiled)
    for row, at_ns, part in in_pieces(chance, rows, t_ns, level):
        order = np.argsort(row, kind="stable")
        plain.take(row[order], at_ns[order], part[order])
        fast.take(row, at_ns, part)
        assert np.array_equal(plain.torn_ns, fast.torn_ns)
    assert plain.torn_ns.any(), "some are torn"
    assert np.array_equal(plain.torn(int(t_ns[-1]) + SECOND), fast.torn(int(t_ns[-1]) + SECOND))
