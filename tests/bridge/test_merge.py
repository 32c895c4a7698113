"""Who wins on an input: E1.31 priorities, 0xDD, highest level, and the caution after a silence."""

from __future__ import annotations

import pytest

from slotwatch.bridge.merge import Input, InputState

MS = 1_000_000
S = 1000 * MS


def frame(*levels: int) -> bytes:
    return bytes(levels)


def an_input(**options: bool) -> Input:
    return Input(loss_timeout_ns=int(2.5 * S), **options)


# ANSI E1.31-2018 6.7.2: (last, new, accepted), with the 8-bit wrap.
SEQUENCES = [
    (10, 11, True),
    (255, 0, True),
    (250, 5, True),
    (10, 10, False),
    (10, 9, False),
    (10, 247, False),
    (10, 246, True),
    (0, 236, True),
    (0, 128, True),
    (5, 250, False),
]


@pytest.mark.parametrize(("last", "new", "accepted"), SEQUENCES)
def test_sequence_rule(last: int, new: int, accepted: bool) -> None:
    one = an_input()
    one.levels(b"a", 0, last, 100, frame(1))
    assert one.levels(b"a", 1, new, 100, frame(2)) is accepted


def test_silent_until_something_was_heard() -> None:
    assert an_input().merged().state is InputState.SILENT


def test_higher_priority_takes_over_at_once() -> None:
    """E1.31 6.2.3: the highest active priority owns the universe."""
    one = an_input()
    one.levels(b"low", 0, 1, 100, frame(10, 20))
    one.levels(b"high", 5 * MS, 1, 101, frame(1))
    merged = one.merged()
    assert merged.levels[:3] == frame(1, 20, 0), "slot 2 is not sent by the higher source, so the lower keeps it"
    assert merged.winners == (b"low", b"high")


def test_equal_priority_takes_the_highest_level() -> None:
    """Highest level per slot, the usual choice at equal priority (E1.31 6.2.3.2)."""
    one = an_input()
    one.levels(b"a", 0, 1, 100, frame(10, 200, 0))
    one.levels(b"b", 0, 1, 100, frame(50, 100, 0))
    assert one.merged().levels[:3] == frame(50, 200, 0)


def test_latest_change_wins_where_declared() -> None:
    one = an_input(latest=True)
    one.levels(b"a", 0, 1, 100, frame(200, 200))
    one.levels(b"b", 1 * MS, 1, 100, frame(10, 10))
    one.levels(b"a", 2 * MS, 2, 100, frame(200, 150))
    assert one.merged(by_latest=True).levels[:2] == frame(10, 150)
    assert one.merged().levels[:2] == frame(200, 150)


def test_slot_priority_decides_slot_by_slot() -> None:
    """0xDD: 0 is not sourced, missing slots count as 0, packet priority for a source that sends none."""
    one = an_input()
    one.levels(b"a", 0, 1, 100, frame(11, 12, 13, 14))
    one.slot_priorities(b"a", 0, 2, frame(120, 0, 90))
    one.levels(b"b", 0, 1, 100, frame(21, 22, 23))
    assert one.merged().levels[:4] == frame(11, 22, 23, 0)


def test_slot_priority_shares_the_sequence() -> None:
    """E1.31 6.2.5: one sequence a universe, so a level packet that a 0xDD overtook is discarded."""
    one = an_input()
    one.levels(b"a", 0, 1, 100, frame(1))
    assert one.slot_priorities(b"a", 0, 2, frame(100))
    assert not one.levels(b"a", 0, 2, 100, frame(2))
    assert one.levels(b"a", 0, 3, 100, frame(3))


def test_slot_priority_that_stopped_falls_back() -> None:
    """0xDD gone for 2.5 s while levels continue: packet priority holds again."""
    one = an_input()
    one.levels(b"a", 0, 1, 100, frame(10))
    one.slot_priorities(b"a", 0, 2, frame(50))
    one.levels(b"b", 0, 1, 80, frame(20))
    assert one.merged().levels[0] == 20
    one.levels(b"a", 2600 * MS, 3, 100, frame(10))
    one.levels(b"b", 2600 * MS, 2, 80, frame(20))
    assert one.merged().levels[0] == 10


def test_slot_priority_of_a_source_that_died_holds_until_the_source_is_lost() -> None:
    """ANSI E1.31-2018 6.7.1: a source counts until it was silent for 2.5 s. Its last 0xDD came up to a second before
    its last levels (common practice, no source): for that time, slots that it never claimed would get its levels."""
    one = an_input()
    one.levels(b"a", 0, 1, 100, frame(10, 255))
    one.slot_priorities(b"a", 0, 2, frame(120, 0))
    one.levels(b"a", 900 * MS, 3, 100, frame(10, 255))
    for sequence, ms in enumerate((1000, 2600, 3300)):
        one.levels(b"b", ms * MS, sequence, 100, frame(20, 20))
        assert not one.expire(ms * MS) and one.merged().levels[:2] == frame(10, 20)
    assert one.expire(3400 * MS) and one.merged().levels[:2] == frame(20, 20)


def test_a_cut_uplink_hands_control_to_nobody() -> None:
    """Both sources were cut at 1.0 s; the low one's keep-alive came last and must not win for a moment."""
    one = an_input()
    one.levels(b"main", 100 * MS, 1, 100, frame(200))
    one.levels(b"low", 1000 * MS, 1, 50, frame(9))
    now = 100 * MS + int(2.5 * S)
    assert one.expire(now)
    assert one.merged().state is InputState.UNDECIDED
    now = 1000 * MS + int(2.5 * S)
    assert one.expire(now)
    assert one.merged().state is InputState.LOST


def test_a_source_that_outlived_a_keep_alive_takes_over_without_delay() -> None:
    one = an_input()
    one.levels(b"main", 0, 1, 100, frame(200))
    one.levels(b"low", 2400 * MS, 1, 50, frame(9))
    one.expire(2500 * MS)
    merged = one.merged()
    assert (merged.state, merged.levels[0]) == (InputState.LIVE, 9)


def test_the_next_frame_ends_the_doubt() -> None:
    one = an_input()
    one.levels(b"main", 100 * MS, 1, 100, frame(200))
    one.levels(b"low", 1000 * MS, 1, 50, frame(9))
    one.expire(2600 * MS)
    one.levels(b"low", 2700 * MS, 2, 50, frame(9))
    assert one.merged().levels[0] == 9


def test_terminated_source_leaves_at_once_and_without_doubt() -> None:
    """E1.31 6.7.1: the terminated bit is loss at once."""
    one = an_input()
    one.levels(b"main", 0, 1, 100, frame(200))
    one.levels(b"low", 0, 1, 50, frame(9))
    assert one.terminated(b"main")
    assert one.merged().levels[0] == 9
    assert one.terminated(b"low")
    assert one.merged().state is InputState.SILENT


def test_sources_are_bounded() -> None:
    one = an_input()
    for number in range(100):
        one.levels(b"%d" % number, 0, 1, 100, frame(1))
    assert (len(one.sources), one.refused_sources) == (64, 36)
