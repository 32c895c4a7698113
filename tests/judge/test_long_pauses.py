"""Long pauses stutter lights although none is a loss, and rests between cues are no pauses.

ANSI E1.31-2018 6.7.1: a source is lost after 2.5 s. 6.6.2: levels that do not change are sent three times, and then
every 0.8 to 1 s.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import accumulate
from random import Random
from typing import Any

import pytest

from tests.judge.elsewhere import STAGE_END, Ear
from tests.judge.stage import START_NS, Desk, S, Stage, house_of, moving, opened_after_s


def pausing(every_s: float, for_s: float, until_s: float = 1e9) -> Desk:
    """Pauses from 10 s on, and leaves out no number."""

    def is_silent(t: float) -> bool:
        return 10.0 <= t < until_s and (t - 10.0) % every_s < for_s

    sent = list(accumulate(not is_silent(index / 40) for index in range(10_000)))
    return Desk(
        "Desk A", (1,), levels=moving(), drop=lambda u, index, t: is_silent(t), sequence_of=lambda u, index: sent[index]
    )


@pytest.mark.parametrize("for_s", [1.6, 2.4])
def test_pauses_under_the_loss_timeout_stutter(for_s: float) -> None:
    stage = Stage(house_of((1,)), pausing(6.0, for_s, until_s=34.0)).run(30.0)
    assert stage.only().next_checks
    incident = stage.run(62.0).only()
    assert (incident.rule, incident.cause) == ("uneven-refresh", "sender-paused")
    assert opened_after_s(incident) <= 22.0 + for_s + 0.3
    assert (incident.began_ns - START_NS) / S == pytest.approx(10.0, abs=0.2)
    assert incident.returned_ns is not None
    assert (incident.returned_ns - START_NS) / S == pytest.approx(28.0 + for_s, abs=0.2)


def test_a_pause_now_and_then_is_none() -> None:
    assert Stage(house_of((1,)), pausing(35.0, 2.4)).run(120.0).reported() == []


@pytest.mark.parametrize("every_s", [12.0, 28.0])
def test_pauses_far_apart_stutter_and_keep_their_length(every_s: float) -> None:
    """Each is a freeze of a fade that an audience sees. Their length is said also when the last is long ago."""
    stage = Stage(house_of((1,)), pausing(every_s, 2.4)).run(10.0 + 3 * every_s - 0.5)
    incident = stage.only()
    assert (incident.rule, incident.cause) == ("uneven-refresh", "sender-paused")
    assert "with gaps of up to 24" in incident.summary and incident.returned_ns is None


def test_lost_pauses_far_apart_are_not_put_down_to_the_sender_later() -> None:
    """The numbers that are missing were counted more than 10 s ago."""
    is_silent = lambda u, index, t: t >= 10.0 and (t - 10.0) % 14.0 < 2.4  # noqa: E731
    stage = Stage(house_of((1,)), Desk("Desk A", (1,), levels=moving(), drop=is_silent)).run(51.5)
    uneven = [one for one in stage.all if one.rule == "uneven-refresh"]
    assert not any("The sender probably paused" in text for one in uneven for text in (one.summary, *one.evidence))


@pytest.mark.parametrize(("also_there", "cause"), [(True, "sender-paused"), (False, "way-between")])
def test_pauses_far_apart_are_compared_while_the_other_listeners_figures_hold_one(also_there: bool, cause: str) -> None:
    """They hold 512 frames: at 40 Hz 12.8 s, so that half of the time they hold none."""
    one = pausing(25.0, 2.4)
    afar = one if also_there else Desk("Desk A", (1,), levels=moving())
    stage = Stage(replace(house_of((1,)), listeners=(STAGE_END,)), one)
    for t_s, answer in Ear(afar).until(85.0):
        stage.see(t_s, answer)
    early = stage.run(63.0).only()
    assert (early.rule, early.cause) == ("uneven-refresh", "")
    assert stage.run(70.0).only().cause == cause
    assert stage.run(84.0).only().cause == cause, "also while the newest pause is no longer among its frames"


@pytest.mark.parametrize("keep_alive_s", [0.8, 1.0])
def test_rests_between_cues_are_no_pauses(keep_alive_s: float) -> None:
    """A desk that fades, snaps and rests by turns, as long as chance has it."""
    chance, looks, until_s = Random(5), [(0.0, 0.0)], 0.0
    while until_s < 120.0:
        looks.append((until_s, until_s + chance.choice((0.0, 0.02, 0.5, 2.0))))
        until_s = looks[-1][1] + chance.choice((0.2, 0.9, 1.6, 2.4, 5.0))

    def levels(t: float) -> bytes:
        place, (from_s, to_s) = next((n, look) for n, look in reversed(list(enumerate(looks))) if look[0] <= t)
        return bytes([(37 * place + int(min(t - from_s, to_s - from_s) * 200)) % 250]) * 512

    desk = Desk("Desk A", (1,), levels=levels, rests=True, keep_alive_s=keep_alive_s)
    assert Stage(house_of((1,)), desk).run(120.0).reported() == []


def fallen(to_s: float = 1e9, **after: Any) -> tuple[Desk, ...]:
    """38 Hz, and 3 Hz from 40 s on with the same movement; back at 38 Hz from `to_s` on."""
    fade = lambda t: bytes([round(t * 60) % 120]) * 512  # noqa: E731
    desk = Desk("Desk A", (1,), hz=38.0, levels=fade, to_s=40.0)
    slow = Desk("Desk A", (1,), hz=3.0, **{"levels": fade, **after}, from_s=40.0, to_s=to_s)
    back = replace(desk, from_s=to_s, to_s=1e9)
    counted = accumulate((len(range(38 * 40)), 0 if to_s > 1e6 else round(3 * (to_s - 40.0))))
    first, second = counted
    return (
        desk,
        replace(slow, sequence_of=lambda u, index: first + index),
        replace(back, sequence_of=lambda u, index: second + index),
    )


def test_a_stream_that_stays_slow_is_not_over_when_its_median_is() -> None:
    """The median of 60 s becomes 333 ms: no interval is long beside it any more, and the lights still stutter."""
    stage = Stage(house_of((1,)), *fallen(to_s=150.0)).run(140.0)
    incident = stage.only()
    assert (incident.rule, incident.returned_ns) == ("uneven-refresh", None)
    assert "gaps of up to 333 ms" in incident.summary
    (incident,) = stage.run(170.0).all
    assert incident.returned_ns is not None
    assert (incident.returned_ns - START_NS) / S == pytest.approx(150.0, abs=0.5)


def test_a_chase_sent_on_change_after_a_fade_is_over_with_its_median() -> None:
    """Each frame is a bump of a whole group: by common practice, no source, nothing is wrong with its sender."""
    bumps = lambda t: bytes([255 if n == int(t * 3 + 0.01) % 64 else 0 for n in range(64)])  # noqa: E731
    (incident,) = Stage(house_of((1,)), *fallen(levels=bumps)).run(140.0).all
    assert incident.returned_ns is not None
