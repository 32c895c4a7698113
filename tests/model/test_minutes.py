"""Minutes of a universe that is heard for the first time within one: Art-Net, which has no group to join.

Art-Net 4, "ArtDmx": it is sent to the addresses of those who subscribe, so that a port sees it only once it comes.
The arithmetic is the test's own: frames that the pretend server sent, over sixty seconds of the wall clock.
"""

from __future__ import annotations

import pytest

from slotwatch.model.minutes import Minutes
from slotwatch.model.model import Model
from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import main_desk, media_server, moves, paper, rests
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.scenario import Scenario
from slotwatch.rehearse.stage import mixed
from slotwatch.snapshot import Snapshot, UniverseState
from slotwatch.snapshot.minutes import MinuteRow
from tests.rehearse.theatre import perform
from tests.views.fabricate import SECOND_NS, house

SECONDS = 130.0
"""Scenarios begin with a whole minute of the wall clock."""
TURN_FRAMES = 10
"""A minute turns with the tick that follows it, here up to 0.25 s later: 10 frames at 40 Hz."""


def minutes_of(start_s: float, *, is_still: bool = False) -> tuple[list[MinuteRow], list[int]]:
    """Rows of `artnet/0` by minute, and how many frames came in each, of a server that begins at `start_s`."""
    server = media_server((0,), look=rests if is_still else moves, start_s=start_s)
    sent = [0, 0, 0]
    for item in server.sends(SECONDS):
        # ArtDmx: opcode 0x5000, low byte first (Art-Net 4, "ArtDmx packet").
        if isinstance(item, Sent) and item.payload[8:10] == b"\x00\x50":
            sent[int(item.t_ns // 60e9)] += 1
    kept: dict[int, MinuteRow] = {}

    def look(snapshot: Snapshot) -> None:
        kept.update((row.minute, row) for row in snapshot.minutes if row.universe == "artnet/0")

    written = paper((1,), (0,), sources=("main", "media"))
    show = Scenario(
        "minutes", "", "", lambda: mixed(main_desk((1,)).sends(SECONDS), server.sends(SECONDS)), SECONDS, written
    )
    perform(show, look=look)
    return [row for _, row in sorted(kept.items())], sent


def test_heard_within_its_first_minute_it_was_visible_in_that_minute() -> None:
    (first, second), sent = minutes_of(25.0)
    assert first.state == UniverseState.STEADY, "its silence before the first frame is nothing that anybody could know"
    assert (first.sources, first.not_judged_s) == (1, 0.0)
    assert 0 <= first.frames - sent[0] <= TURN_FRAMES
    assert abs(first.refresh_hz - sent[0] / 60) < 0.2
    assert first.worst_gap_ms < 100.0, "the time before its first frame is no gap"
    assert second.state == UniverseState.STEADY
    assert abs(second.frames - sent[1]) <= TURN_FRAMES


def test_one_that_never_changes_is_at_rest_in_its_first_minute() -> None:
    """Art-Net 4: unchanged data is sent again after about four seconds at the latest."""
    (first, _), sent = minutes_of(25.0, is_still=True)
    assert first.state in (UniverseState.STEADY, UniverseState.AT_REST)
    assert sent[0] > 0 and 0 <= first.frames - sent[0] <= 1
    assert first.worst_gap_ms <= 4_100.0


def test_a_minute_before_its_first_frame_is_one_in_which_it_was_not_visible() -> None:
    (first, second), sent = minutes_of(70.0)
    assert (first.state, first.frames, first.sources) == (UniverseState.NOT_VISIBLE, 0, 0)
    assert first.worst_gap_ms == 0.0, "of what cannot be seen no gap is known"
    assert second.state == UniverseState.STEADY
    assert 0 <= second.frames - sent[1] <= TURN_FRAMES
    assert second.worst_gap_ms < 100.0


def test_one_that_falls_silent_again_in_its_first_minute_was_lost_in_it() -> None:
    """Art-Net's own timeout is 10 s (common practice, no source): heard at 20 s, silent from 30 s, lost at 40 s."""
    server = media_server((0,), start_s=20.0, stop_s=30.0)
    kept: dict[int, MinuteRow] = {}
    written = paper((1,), (0,), sources=("main", "media"))
    show = Scenario("minutes", "", "", lambda: mixed(main_desk((1,)).sends(70.0), server.sends(70.0)), 70.0, written)

    def look(snapshot: Snapshot) -> None:
        kept.update((row.minute, row) for row in snapshot.minutes if row.universe == "artnet/0")

    perform(show, look=look)
    (row,) = kept.values()
    assert row.state == UniverseState.LOST
    assert 29_000.0 <= row.worst_gap_ms <= 31_000.0


def test_the_minute_of_a_return_has_the_silence_before_it_as_far_as_it_lies_within() -> None:
    """Silent from 50 s to 80 s: 10 s of the first minute, and 20 s of the second."""
    kept: dict[int, MinuteRow] = {}

    def look(snapshot: Snapshot) -> None:
        kept.update((row.minute, row) for row in snapshot.minutes if row.universe == "e131/1")

    show = Scenario(
        "minutes", "", "", lambda: stage.cut(main_desk((1,)).sends(SECONDS), 50.0, 80.0), SECONDS, paper((1,))
    )
    perform(show, look=look)
    first, second = (row for _, row in sorted(kept.items()))
    assert 9_900.0 <= first.worst_gap_ms <= 10_300.0
    assert 19_700.0 <= second.worst_gap_ms <= 20_100.0


@pytest.mark.parametrize(("back_s", "minutes"), [(3_600, [1, -59, -58]), (40, [0, 1])])
def test_a_clock_that_is_set_back_begins_another_minute(back_s: int, minutes: list[int]) -> None:
    """By an hour: its minutes have numbers that were there before, and none is left out. By less than a minute: the
    minute lasts until the clock has caught up, for it would be in two parts."""
    model, counted = Model(house(1), 0), Minutes(0, 0)
    for at_s in range(1, 200):
        offset_s = -back_s if at_s >= 65 else 0
        counted.turn(model, at_s * SECOND_NS, offset_s * SECOND_NS)
    assert [row.minute for row in counted.finished] == minutes
