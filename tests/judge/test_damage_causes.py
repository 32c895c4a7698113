"""Losses while packets arrive with a wrong checksum: what fell silent may still send.

RFC 1122 4.1.3.4: a datagram with a wrong checksum is dropped, and the program that listens sees nothing of it.
"""

from __future__ import annotations

import pytest

from slotwatch.house.schema import DeclaredSource
from slotwatch.snapshot import Confidence, Incident
from slotwatch.wire.observation import DropsSeen
from tests.judge.cases import at, desk
from tests.judge.stage import Stage, house_of

HOUSE = house_of(
    (1, 2),
    min_refresh_hz=5,
    sources=(DeclaredSource("main desk", address="10.0.0.1"), DeclaredSource("house lights", address="10.0.0.2")),
)
STOPS_S, DESK_HZ = 8.0, 10.0


def lost(*, damaged_hz: float, until_s: float = 13.0, terminated: bool = False) -> Incident:
    """The main desk is no longer heard from STOPS_S on, and so many damaged packets a second are counted then."""
    main = desk(1, (1,), to_s=STOPS_S, terminate=terminated)
    shown = Stage(HOUSE, main, desk(2, (2,)))
    for n in range(round((until_s - STOPS_S) * 4)):
        seconds = STOPS_S + n / 4
        shown.see(seconds, DropsSeen(at(seconds), 0, 0, round(damaged_hz * n / 4)))
    return shown.run(until_s).rule("universe-lost")


def test_as_many_damaged_packets_as_it_would_send_are_its_own() -> None:
    found = lost(damaged_hz=DESK_HZ)
    assert (found.cause, found.confidence) == ("path-or-sender", Confidence.MEDIUM)
    assert "probably still sends" in found.summary
    assert "wrong UDP checksum" in " ".join(found.evidence)
    assert any("went completely silent" in one for one in found.also_possible)
    assert any("main desk" in one and "count errors" in one for one in found.next_checks)


@pytest.mark.parametrize(
    ("damaged_hz", "expected"),
    [
        pytest.param(0.6, "source-lost", id="fewer than one stream at rest sends"),
        pytest.param(1.0, "path-or-sender", id="as many as one stream at rest sends"),
    ],
)
def test_so_few_that_even_a_stream_at_rest_sends_more_say_nothing(damaged_hz: float, expected: str) -> None:
    """E1.31-2018 6.6.2: at rest a source sends each stream at least every 800 to 1000 ms."""
    assert lost(damaged_hz=damaged_hz, until_s=18.0).cause == expected


def test_an_end_that_the_source_announced_is_not_doubted() -> None:
    """E1.31-2018 6.7.1: the stream-terminated bit."""
    assert lost(damaged_hz=DESK_HZ, terminated=True).cause == "stream-terminated"


def test_damage_that_ended_with_the_loss_says_nothing_of_later() -> None:
    shown = Stage(HOUSE, desk(1, (1,), to_s=STOPS_S), desk(2, (2,)))
    shown.see(5.0, DropsSeen(at(5.0), 0, 0, 400))
    assert shown.run(13.0).rule("universe-lost").cause == "source-lost"


def rested(*lost_frames: int) -> Incident:
    """A desk at rest sends a frame every 0.9 s and stops at 12 s; some frames before that did not arrive."""
    main = desk(1, (1,), rests=True, to_s=12.0, drop=lambda universe, index, t: index in lost_frames)
    return Stage(HOUSE, main, desk(2, (2,))).run(18.0).rule("universe-lost")


def test_frames_that_were_missing_at_rest_before_the_silence_doubt_that_the_source_died() -> None:
    """E1.31-2018 6.6.2 and 6.7.1: two keep-alive packets of 1 s missed in a row are nearly a loss of 2.5 s."""
    sure = rested()
    assert (sure.cause, sure.confidence) == ("source-lost", Confidence.HIGH)
    doubted = rested(9, 11)
    assert (doubted.cause, doubted.confidence) == ("source-lost", Confidence.MEDIUM)
    assert "Of the last 10 frames before that, at least 2 were missing already." in doubted.evidence
    assert "a path that loses frames" in doubted.also_possible[0]
    assert rested(11).confidence is Confidence.HIGH, "one of ten is chance"
