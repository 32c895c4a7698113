"""What moves around a moment, and which levels were the last good ones before a loss."""

from __future__ import annotations

import numpy as np
import pytest

from slotwatch.model.level_watch import LevelWatch
from slotwatch.snapshot import Snapshot
from tests.views.fabricate import NOW_NS, SECOND_NS, snapshot


def at(seconds: float, values: dict[int, int], *, is_live: bool = True, last_s: float | None = None) -> Snapshot:
    """A snapshot of three universes so many seconds on, with these levels of the first one's slots."""
    now_ns = NOW_NS + round(seconds * SECOND_NS)
    made = snapshot(now_ns=now_ns)
    levels = np.zeros((3, 512), np.uint8)
    for slot, value in values.items():
        levels[0, slot - 1] = value
    made.levels = levels
    made.universes["streams"][0] = is_live
    made.universes["last_frame_ns"][0] = NOW_NS + round((seconds if last_s is None else last_s) * SECOND_NS)
    return made


def test_what_changes_by_more_than_5_percent_around_the_moment_moves() -> None:
    # 5 % of 255 is 12.75: 12 is under it and 13 over it
    watch = LevelWatch()
    for step in range(60):
        watch.note(at(step / 10, {1: 100 + 12 * (step % 2), 2: 100 + 13 * (step % 2), 3: 200}))
    moving = watch.moving(NOW_NS + 3 * SECOND_NS)
    assert moving is not None
    assert np.flatnonzero(moving[0]).tolist() == [1]


@pytest.mark.parametrize(("pace_s", "slots"), [(0.2, 60), (0.5, 60), (1.5, 60), (0.2, 500)])
def test_what_moves_is_what_all_kept_seconds_say(pace_s: float, slots: int) -> None:
    """Against every snapshot kept whole: spans begin a second after the one before, and count if they end no more than
    2.5 s before now (this project's own rule)."""
    watch, chance = LevelWatch(), np.random.default_rng(int(pace_s * 10))
    kept: list[tuple[float, dict[int, int]]] = []
    began: list[float] = []
    levels = dict.fromkeys(range(1, slots), 100)
    compared = 0
    for step in range(120):
        second = step * pace_s
        if chance.random() < 0.6:
            for slot in chance.integers(1, slots, slots // 30).tolist():
                levels[slot] = min(255, max(1, levels[slot] + int(chance.integers(-20, 21))))
        watch.note(at(second, dict(levels)))
        kept.append((second, dict(levels)))
        if not began or second - began[-1] > 0.999:
            began.append(second)
        ends = [max(s for s, _ in kept if s < end - 1e-6) for end in began[1:]] + [second]
        since = min(first for first, last in zip(began, ends, strict=True) if last > second - 2.501)
        counted = [each for s, each in kept if s > since - 1e-6]
        expected = {
            slot for slot in levels if max(one[slot] for one in counted) - min(one[slot] for one in counted) >= 13
        }
        moving = watch.moving(NOW_NS + round(second * 10) * SECOND_NS // 10)
        assert moving is not None
        assert {slot + 1 for slot in np.flatnonzero(moving[0]).tolist()} == expected, second
        compared += bool(expected)
    assert compared > 20


def test_what_moved_long_before_is_still() -> None:
    watch = LevelWatch()
    for step in range(100):
        watch.note(at(step / 10, {1: 10 * step if step < 20 else 200}))
    moving = watch.moving(NOW_NS + 9 * SECOND_NS)
    assert moving is not None and not moving.any()


def test_the_last_good_levels_are_those_of_the_last_frame() -> None:
    watch = LevelWatch()
    for second in range(10):
        watch.note(at(second, {1: 100 + second}))
    for second in range(10, 14):  # the desk is dead; its levels are gone with it
        watch.note(at(second, {}, is_live=False, last_s=9))
    found = watch.last_good(("e131/1",), NOW_NS + 9 * SECOND_NS)["e131/1"]
    assert (found.at_ns, int(found.levels[0])) == (NOW_NS + 9 * SECOND_NS, 109)


def test_after_zeros_the_newest_minute_with_light_counts() -> None:
    watch = LevelWatch()
    for second in range(200):
        watch.note(at(second, {1: 77} if second < 150 else {}))
    found = watch.last_good(("e131/1", "e131/2"), NOW_NS + 200 * SECOND_NS)
    # A minute is kept at 0, 60, 120 and 180 s; that of 180 s is dark.
    assert (found["e131/1"].at_ns, int(found["e131/1"].levels[0])) == (NOW_NS + 120 * SECOND_NS, 77)
    assert "e131/2" not in found, "what was never lit has no good levels"


def test_an_hour_of_minutes_is_kept_and_no_more() -> None:
    watch = LevelWatch()
    for minute in range(100):
        watch.note(at(60 * minute, {1: 77} if minute < 20 else {}))
    assert watch.last_good(("e131/1",), NOW_NS + 6000 * SECOND_NS) == {}
