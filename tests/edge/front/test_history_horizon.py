"""A wall clock that jumps deletes no history until it held for a day."""

from __future__ import annotations

from pathlib import Path

import pytest

from slotwatch import clock
from slotwatch.edge.front.history import History
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_horizon import DAY_MS, Horizon
from slotwatch.edge.front.history_store import Pending, Store
from tests.edge.front.test_history import WALL_MS, path  # noqa: F401
from tests.patience import happens

HOUR_MS = 3_600_000
YEARS_MS = 3 * 365 * DAY_MS


def test_a_new_file_believes_its_clock() -> None:
    horizon = Horizon(None)
    assert not horizon.advance(WALL_MS, 0)
    assert horizon.is_believed


@pytest.mark.parametrize("jump_ms", [YEARS_MS, -YEARS_MS, 9 * DAY_MS, -2 * HOUR_MS])
def test_a_clock_that_jumps_is_believed_after_a_day(jump_ms: int) -> None:
    horizon = Horizon(None)
    horizon.advance(WALL_MS, 0)
    assert horizon.advance(WALL_MS + jump_ms, 1000)
    assert not horizon.is_believed
    for hour in range(1, 24):
        assert not horizon.advance(WALL_MS + jump_ms + hour * HOUR_MS, 1000 + hour * HOUR_MS)
    assert not horizon.is_believed
    horizon.advance(WALL_MS + jump_ms + DAY_MS, 1000 + DAY_MS)
    assert horizon.is_believed


@pytest.mark.parametrize("away_ms", [1000, DAY_MS, 7 * DAY_MS])
def test_a_computer_that_was_off_for_a_week_believes_its_clock(away_ms: int) -> None:
    horizon = Horizon(None)
    horizon.advance(WALL_MS, 50)
    after = Horizon(horizon.as_row())
    assert not after.advance(WALL_MS + away_ms, 7)
    assert after.is_believed


def test_a_clock_that_is_years_ahead_at_the_start_is_not_believed_whatever_restarts_follow() -> None:
    row = {"wall_ms": WALL_MS, "steady_ms": DAY_MS}
    ahead_ms = WALL_MS + YEARS_MS
    for run in range(5):
        horizon = Horizon(row)
        horizon.advance(ahead_ms + run * HOUR_MS, 0)
        horizon.advance(ahead_ms + run * HOUR_MS + HOUR_MS // 2, HOUR_MS // 2)
        assert not horizon.is_believed
        row = horizon.as_row()
    right = Horizon(row)
    assert right.advance(WALL_MS + 6 * HOUR_MS, 0)
    assert not right.is_believed


def test_an_odd_row_is_as_none() -> None:
    horizon = Horizon({"wall_ms": "noon", "steady_ms": -4})
    assert not horizon.advance(WALL_MS, 0)
    assert horizon.is_believed


async def test_marks_of_before_outlive_a_start_with_a_clock_years_ahead(
    path: Path,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path.parent.mkdir()
    store = Store(path)
    store.write(
        Pending(marks=[(WALL_MS, "house open", "")], state={"clock": {"wall_ms": WALL_MS, "steady_ms": DAY_MS}})
    )
    store.close()
    for wall_ms in (WALL_MS + YEARS_MS, WALL_MS - YEARS_MS, WALL_MS + 60_000):
        monkeypatch.setattr(clock, "wall_ns", lambda now=wall_ms: now * 1_000_000)
        history = History(path, 30)
        assert await history.mark("started", "", wall_ms * 1_000_000)
        await happens(lambda now=wall_ms: Archive(path).state()["clock"]["wall_ms"] == now)
        history.close()
    texts = [text for _, text, _ in Archive(path).marks(0, 1 << 62)]
    assert sorted(texts) == ["house open", "started", "started", "started"]
