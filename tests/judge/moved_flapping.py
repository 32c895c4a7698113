"""Numbers of the rule `flapping`, seen on incidents of `universe-lost`: what comes and goes at chosen times."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from slotwatch.snapshot import Incident
from tests.judge.moved import Moved, Rules, Tells, Watched, is_open, says
from tests.judge.stage import Desk, Stage, house_of, moving

FIRST_S = 10.0
LOSS_S = 4.0
"""Longer than the loss timeout of 2.5 s (ANSI E1.31-2018 6.7.1)."""
AFTER_S = 15.0


def losses(*starts_s: float) -> Callable[[Rules], Stage]:
    """One of two universes of a desk is silent from each of these times on, for LOSS_S."""

    def away(universe: int, index: int, t: float) -> bool:
        return universe == 3 and any(start <= t < start + LOSS_S for start in starts_s)

    def stage(rules: Rules) -> Stage:
        desk = Desk("Desk A", (3, 4), hz=5.0, levels=moving(hz=5.0), drop=away)
        return Stage(house_of((3, 4), min_refresh_hz=1), desk, rules=rules, every_tick=True)

    return stage


def every(period_s: float, times: int, *after_s: float) -> Watched:
    """This many losses, one each period, watched for a time after the last one's end, or for two."""
    starts_s = [FIRST_S + period_s * number for number in range(times)]
    ends_s = [starts_s[-1] + LOSS_S + one for one in after_s or (AFTER_S,)]
    return Watched(losses(*starts_s), (ends_s[0], ends_s[-1]))


def either(under: Watched, over: Watched) -> Callable[[Rules, bool], Sequence[Incident]]:
    return lambda rules, is_over: (over if is_over else under)(rules, is_over)


def row(parameter: str, value: float, play: Callable[[Rules, bool], Sequence[Incident]], tells: Tells) -> Moved:
    return Moved("flapping", parameter, value, play, tells, seen_on="universe-lost")


COMES_AND_GOES = says("It comes and goes")
FLAPPING = [
    row("openings", 3, either(every(15, 2), every(15, 3)), COMES_AND_GOES),
    # Four openings span three periods.
    row("window_s", 60.0, either(every(21, 4), every(19, 4)), COMES_AND_GOES),
    # The case itself ends after its off-delay of a minute; the incident stays for this time.
    row("quiet_s", 90.0, every(15, 4, 95.0, 80.0), is_open),
    # With less than the rule's own off-delay between losses it is one case all the time.
    row("off_delay_s", 90.0, every(10, 4, 95.0, 80.0), is_open),
    # Its incident closes about three seconds after a loss is over.
    row("reopen_s", 20.0, either(every(LOSS_S + 28.0, 2), every(LOSS_S + 18.0, 2)), lambda found: len(found) == 1),
]
