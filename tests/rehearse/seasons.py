"""Whole seasons of shows: how often a healthy house is reported as unlike itself, and when a drift is found.

`python -m tests.rehearse.seasons [HOW_MANY]` plays random healthy seasons and prints the false notes in 1,000 shows.
`python -m tests.rehearse.seasons harsh [HOW_MANY]` plays harsher ones: bursts may overlap for many minutes, and lost
frames vary twice as much from night to night.
`python -m tests.rehearse.seasons drift` plays 30 nights of packets through the engine and the history's file.

A season is made of minutes as the engine finishes them. How uneven a healthy house is, from minute to minute and from
night to night, is invented here and wide on purpose; it rests on no record of a real house.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from slotwatch.judge.rules.unlike_usual import UnlikeUsualParameters, limits_of
from slotwatch.model.usual import KeptShow, show_of
from slotwatch.model.usual_standing import growing_worse, standing_of, usual_of
from slotwatch.snapshot.minutes import MinuteRow, StreamMinute

DAY = 24 * 60
FIRST_MINUTE = 29_000_000
UNIVERSES, SHOWS, MINUTES = 4, 30, 90
SUSTAINED = 5
"""Minutes in a row that the rule goes by."""
MIN_REFRESH_HZ = 20.0


@dataclass(frozen=True, slots=True)
class Weather:
    """What all universes of a season have in common."""

    apart: int
    """Minutes between two bursts at least: what is in the way for five minutes in a row is not a healthy night."""
    by_night: float
    """Spread of lost frames from night to night, of the logarithm."""


CALM = Weather(10, 0.25)
HARSH = Weather(0, 0.5)


@dataclass(frozen=True, slots=True)
class Pace:
    """How one universe of a healthy house is sent."""

    rate_hz: float
    late_ms: float
    """How much longer than the interval the 99th percentile is."""
    by_night: float
    """Spread of that from night to night, of its logarithm."""
    by_minute: float
    odd_minutes: float
    """Share of minutes with a burst of something else on the network."""
    lost_percent: float


def any_pace(chance: np.random.Generator) -> Pace:
    """From a desk on its own switch to a program on a busy computer behind a wireless hop."""
    return Pace(
        rate_hz=float(chance.choice([25.0, 30.0, 40.0, 44.0])),
        late_ms=float(np.exp(chance.uniform(np.log(0.3), np.log(40.0)))),
        by_night=float(chance.uniform(0.02, 0.35)),
        by_minute=float(chance.uniform(0.02, 0.3)),
        odd_minutes=float(chance.choice([0.0, 0.0, 0.002, 0.02])),
        lost_percent=float(chance.choice([0.0, 0.0, 0.0, 0.01, 0.05])),
    )


def bursts(pace: Pace, minutes: int, chance: np.random.Generator, apart: int) -> list[int]:
    """Minutes in which something else on the network begins to be in the way: for one to three minutes."""
    found: list[int] = []
    for start in np.flatnonzero(chance.random(minutes) < pace.odd_minutes).tolist():
        if not found or start - found[-1] >= apart:
            found.append(start)
    return found


def minutes_of(
    pace: Pace,
    night: int,
    chance: np.random.Generator,
    *,
    worse_ms: float = 0.0,
    minutes: int = MINUTES,
    weather: Weather = CALM,
    bad: list[int] | None = None,
) -> Iterator[MinuteRow]:
    """One show. worse_ms: what is added to the 99th percentile of each minute. bad: gets the minutes of bursts."""
    interval_ms = 1000 / pace.rate_hz
    of_night = pace.late_ms * np.exp(chance.normal(0, pace.by_night))
    late_ms = of_night * np.exp(chance.normal(0, pace.by_minute, minutes))
    for start in bursts(pace, minutes, chance, weather.apart):
        end = min(minutes, start + 1 + int(chance.integers(3)))
        late_ms[start:end] += chance.uniform(20, 200)
        if bad is not None:
            bad += range(start, end)
    lost_share = pace.lost_percent / 100 * np.exp(chance.normal(0, weather.by_night))
    lost = chance.poisson(lost_share * pace.rate_hz * 60, minutes)
    rate_hz = pace.rate_hz * (1 + chance.normal(0, 0.003) + chance.normal(0, 0.002, minutes))
    for minute in range(minutes):
        p99_ms = interval_ms + late_ms[minute] + worse_ms
        frames = round(rate_hz[minute] * 60)
        one = StreamMinute(
            "desk",
            0,
            frames,
            int(lost[minute]),
            frames - 1,
            float(rate_hz[minute]),
            interval_ms,
            interval_ms + 0.4 * (p99_ms - interval_ms),
            p99_ms,
            1.3 * p99_ms,
        )
        at = FIRST_MINUTE + night * DAY + minute
        yield MinuteRow(at, "e131/1", frames, one.moving_hz, one.longest_ms, one.lost_frames, 1, 5, 0.0, (one,))


@dataclass(slots=True)
class SeasonNotes:
    """What was reported of one universe's season: the nights of each."""

    unlike: list[int]
    grows_worse: list[int]
    judged: int = 0
    """Nights that were compared at all."""
    bad: list[int] = field(default_factory=list)
    """Nights in which bursts were in the way for five minutes in a row: what is reported of these is true."""


def season(nights: Iterator[list[MinuteRow]]) -> SeasonNotes:
    """Judge each night by those before it, as the daemon does: during the show, and after it."""
    kept: list[KeptShow] = []
    notes = SeasonNotes([], [])
    is_reported = False
    for night, minutes in enumerate(nights):
        show = show_of(minutes)
        assert show is not None
        before = usual_of(standing_of("e131/1", kept, None))
        if before is not None:
            notes.judged += 1
            rate_hz, p99_ms, missing_percent = limits_of(before, UnlikeUsualParameters())
            own = show.figures
            assert own.sustained_hz is not None
            assert own.sustained_p99_ms is not None
            assert own.sustained_missing_percent is not None
            is_out = own.sustained_hz < rate_hz or own.sustained_p99_ms > p99_ms
            if is_out or own.sustained_missing_percent > missing_percent:
                notes.unlike.append(night)
        since_ms = minutes[0].minute * 60_000
        kept.insert(0, KeptShow(since_ms, since_ms + len(minutes) * 60_000, show))
        found = growing_worse(standing_of("e131/1", kept, None), MIN_REFRESH_HZ)
        if found and not is_reported:
            notes.grows_worse.append(night)
        is_reported = bool(found)
    return notes


def healthy_season(
    seed: int, universes: int = UNIVERSES, shows: int = SHOWS, weather: Weather = CALM
) -> list[SeasonNotes]:
    """One random house: each universe has a pace of its own."""
    chance = np.random.default_rng(seed)
    found = []
    for _ in range(universes):
        pace = any_pace(chance)
        bad: list[list[int]] = [[] for _ in range(shows)]
        notes = season(list(minutes_of(pace, n, chance, weather=weather, bad=bad[n])) for n in range(shows))
        notes.bad = [night for night in range(shows) if _has_five_in_a_row(bad[night])]
        found.append(notes)
    return found


def _has_five_in_a_row(minutes: list[int]) -> bool:
    known = set(minutes)
    return any(known.issuperset(range(minute, minute + SUSTAINED)) for minute in known)


def main(arguments: list[str]) -> int:
    if arguments[:1] == ["drift"]:
        from tests.rehearse.drift import main as drift

        return drift()
    weather = HARSH if arguments[:1] == ["harsh"] else CALM
    arguments = arguments[1:] if weather is HARSH else arguments
    count = int(arguments[0]) if arguments else 200
    unlike = worse = true = shows = 0
    for seed in range(count):
        for notes in healthy_season(seed, weather=weather):
            unlike, worse = unlike + len(notes.unlike), worse + len(notes.grows_worse)
            true += len(set(notes.unlike) & set(notes.bad))
        shows += SHOWS
    false = 1000 * (unlike + worse - true) / shows
    print(
        f"{count} healthy seasons, {shows} shows of {UNIVERSES} universes: {unlike} notes unlike-usual, of which "
        f"{true} of five bad minutes in a row, and {worse} times grows-worse; {false:.2f} false notes in 1,000 shows"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
