"""Faults of timing (F06, F66 to F73)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import accumulate

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import main_desk, moves, paper, rests, second_desk
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.looks import changed_at, held, moving
from slotwatch.rehearse.registry import scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed

ONE = ("e131/1",)
MAIN_UNIVERSES = ("e131/1", "e131/2", "e131/3")
TWO = paper((1, 2, 3, 11), sources=("main", "second"))


@scenario(
    "F66",
    "an overloaded desk: its refresh falls to 14 Hz while the levels move, and nothing is missing",
    40,
    Truth("slow-refresh", 24.0, MAIN_UNIVERSES, began_s=20.0),
    TWO,
)
def overloaded_desk() -> Iterator[Item]:
    fast, slow = main_desk(stop_s=20), main_desk(hz=14, start_s=20, first_sequence=(800) & 0xFF)
    return mixed(fast.sends(), slow.sends(), second_desk().sends())


@scenario(
    "F71",
    "one universe of a desk at 15 Hz, the others at 40 Hz",
    20,
    Truth("slow-refresh", 5.3, ("e131/3",), began_s=1.0),
    TWO,
)
def unequal_refresh() -> Iterator[Item]:
    desk = main_desk()
    outputs = tuple(replace(each, hz=15.0) if each.number == 3 else each for each in desk.outputs)
    return mixed(replace(desk, outputs=outputs).sends(), second_desk().sends())


@scenario(
    "F66",
    "a desk of 40 Hz falls to 22 Hz: above the house's lowest rate, but far below its own usual one",
    60,
    Truth("slow-refresh", 44.7, MAIN_UNIVERSES, began_s=40.0),
    TWO,
)
def under_its_norm() -> Iterator[Item]:
    fast, slow = main_desk(stop_s=40), main_desk(hz=22, start_s=40, first_sequence=(1600) & 0xFF)
    return mixed(fast.sends(), slow.sends(), second_desk().sends())


@scenario(
    "F72",
    "a proxy samples a moving effect only ten times a second: steps on stage",
    20,
    Truth("slow-refresh", 5.3, ONE, began_s=1.0),
    paper((1,)),
)
def sampled_fade() -> Iterator[Item]:
    return main_desk((1,), hz=10).sends()


@scenario(
    "F67",
    "a sender that follows its picture rate: 60 frames a second for lines that carry 44",
    20,
    Truth("fast-refresh", 5.3, ONE),
    paper((1,)),
)
def faster_than_line() -> Iterator[Item]:
    return main_desk((1,), lambda _: moving(60), hz=60).sends()


@scenario(
    "F68",
    "no pacing: five frames at once, then nothing for an eighth of a second",
    24,
    Truth("uneven-refresh", 2.4, ONE),
    paper((1,)),
)
def bursts() -> Iterator[Item]:
    return main_desk((1,), pace=lambda frame: (4 - (frame - 1) % 5) * 0.0235).sends()


@scenario(
    "F69",
    "a desktop timer: frames come at uneven moments, with gaps of 150 to 250 ms; none is missing",
    40,
    Truth("uneven-refresh", 22.3, ONE, began_s=20.0),
    paper((1,)),
)
def irregular_timer() -> Iterator[Item]:
    def paused(t_s: float) -> bool:
        second = int(t_s * 2)
        chance = Chance(second)
        hole_s = chance.between(0.15, 0.25)
        return t_s >= 20 and second % 2 == 0 and 0 <= t_s * 2 - second < hole_s * 2

    return main_desk((1,), paused=paused).sends()


@scenario(
    "F70",
    "a pause of 0.4 s every 3 s: something is saved at the desk",
    40,
    Truth("uneven-refresh", 26.5, MAIN_UNIVERSES, began_s=20.0),
    TWO,
)
def regular_hiccup() -> Iterator[Item]:
    main = main_desk(paused=lambda t_s: t_s >= 20 and (t_s - 20) % 3 < 0.4)
    return mixed(main.sends(), second_desk().sends())


@scenario(
    "F70",
    "the desk pauses for 2 s every 4 s: no pause is long enough to be a loss (E1.31 6.7.1: 2.5 s)",
    44,
    Truth("uneven-refresh", 30.1, MAIN_UNIVERSES, began_s=20.0, explains=("universe-lost", "source-absent")),
    TWO,
)
def pauses_below_the_timeout() -> Iterator[Item]:
    main = main_desk(paused=lambda t_s: t_s >= 20 and (t_s - 20) % 4 < 2)
    return mixed(main.sends(), second_desk().sends())


@scenario(
    "F06",
    "the desk itself pauses for 0.3 s every 2 s: there are gaps, and no sequence number is missing",
    40,
    Truth("uneven-refresh", 24.4, MAIN_UNIVERSES, began_s=20.0),
    TWO,
)
def sender_pauses() -> Iterator[Item]:
    main = main_desk(paused=lambda t_s: t_s >= 20 and (t_s - 20) % 2 < 0.3)
    return mixed(main.sends(), second_desk().sends())


@scenario(
    "F73",
    "the universes of one frame are spread over more than a frame",
    40,
    Truth("skewed-universes", 11.3, (), severity="note"),
    paper((1, 2, 3, 4)),
)
def skewed_universes() -> Iterator[Item]:
    # A person gives the cues: no interval is as long as the ones before.
    at_s = accumulate(1.2 + step * 0.7 % 1.7 for step in range(24))
    cues = changed_at((0.0, held(0)), *((each, held((step + 1) * 16 % 240)) for step, each in enumerate(at_s)))
    desk = main_desk((1, 2, 3, 4), lambda _: cues)
    return replace(desk, outputs=tuple(replace(each, pace=_behind(each.number)) for each in desk.outputs)).sends()


def _behind(number: int) -> Callable[[int], float]:
    return lambda frame: (number - 1) * 0.02


@scenario(
    "F06",
    "short dropouts of 1 s on one desk, each with its missing numbers",
    60,
    Truth("packet-loss", 11.3, MAIN_UNIVERSES, began_s=10.0, also=("uneven-refresh",), instead=("uneven-refresh",)),
    TWO,
)
def short_dropouts() -> Iterator[Item]:
    show = main_desk().sends()
    for start_s in (10.0, 13.0, 16.0, 19.0):
        show = stage.cut(show, start_s, start_s + 1.0)  # type: ignore[assignment]
    return mixed(show, second_desk().sends())


@scenario(
    "F66",
    "one slow universe among universes at rest: 12 Hz in an effect is the desk's own limit",
    30,
    Truth("slow-refresh", 15.3, ONE, began_s=10.0),
    paper((1, 2)),
)
def slow_only_in_effect() -> Iterator[Item]:
    first = main_desk((1,), rests, stop_s=10)
    effect = main_desk((1,), moves, hz=12, start_s=10, first_sequence=15, discovery=False)
    return mixed(first.sends(), effect.sends(), main_desk((2,), rests, discovery=False).sends())
