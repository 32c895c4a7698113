"""Faults of random nights in how frames come: lost, late, doubled, bunched, slow, or with numbers that mean nothing."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import CLONE, seen
from slotwatch.rehearse.desk import Desk
from slotwatch.rehearse.night_numbers import numbers_at
from slotwatch.rehearse.night_plan import E131_DUE_S, LIGHTS, LOSSES, WINDOW_DUE_S, Expected, NightPlan, moving_truth
from slotwatch.rehearse.rewriting import SEQUENCE, changed, frozen, put
from slotwatch.rehearse.stage import mixed
from slotwatch.wire.observation import DropsSeen

SIDE = ("uneven-refresh", "slow-refresh", "universe-lost", "source-absent", "backup-absent", "packet-loss")
"""At rest a universe sends a frame a second: three that are lost in a row are a loss."""


def loses_frames(plan: NightPlan, subject: str, at_s: float) -> None:
    ratio, seed = plan.chance.between(0.06, 0.3), plan.chance.below(1 << 30)
    plan.wrap(subject, lambda before: stage.lossy(before, ratio, seed, at_s))
    _lossy(plan, subject, at_s)
    if subject == "media":
        names = plan.universes("media")
        truth = Expected("lossy way of media", ("packet-loss",), (), names, at_s, at_s + WINDOW_DUE_S, SIDE)
        plan.truths.append(lambda: replace(truth, is_owed=_media_sends_enough(plan, at_s)))
    else:
        plan.truths.append(
            moving_truth(plan, subject, f"lossy way of {subject}", ("packet-loss",), at_s, SIDE, frames=True)
        )


ARTNET_NEEDS_S = 10.0
SEEN_RATIO = 0.04
"""A packet that comes twice is lost only if both copies are. From this share on, well over 1 % of the frames are."""


def _media_sends_enough(plan: NightPlan, at_s: float) -> bool:
    """Whether enough packets come to count those that are missing or come twice: at rest one comes in four seconds."""
    return not plan.media_rests and plan.silent_from_s("media", at_s) > at_s + ARTNET_NEEDS_S


def _lossy(plan: NightPlan, subject: str, at_s: float) -> None:
    """Allow what a way that loses frames does to any of its universes."""
    plan.lossy_s[subject] = at_s
    allowed = Expected(f"lossy way of {subject}", SIDE, (), plan.universes(subject), at_s, plan.seconds, is_owed=False)
    plan.truths.append(partial(as_it_is, allowed))


def path_loses(plan: NightPlan, subject: str, at_s: float) -> None:
    """What everybody shares loses frames."""
    ratio = plan.chance.between(0.06, 0.3)
    for one in list(plan.parts):
        seed = plan.chance.below(1 << 30)
        plan.wrap(one, lambda before, seed=seed: stage.lossy(before, ratio, seed, at_s))  # type: ignore[misc]
    if plan.strangers:
        guests = Expected(
            "lossy path", ("packet-loss",), (), tuple(plan.strangers), at_s, plan.seconds, SIDE, is_owed=False
        )
        plan.truths.append(partial(as_it_is, guests))
    for one in plan.everyone():
        was_lossy = one in plan.lossy_s
        _lossy(plan, one, at_s)
        if was_lossy:
            continue  # its incident lasts
        if one == "media":
            media = Expected(
                "lossy path", ("packet-loss",), (), plan.universes(one), at_s, plan.seconds, SIDE, is_owed=False
            )
            plan.truths.append(partial(as_it_is, media))
        else:
            found = moving_truth(plan, one, "lossy path", ("packet-loss",), at_s, SIDE, frames=True)
            is_seen = one not in plan.doubled or ratio**2 > SEEN_RATIO
            plan.truths.append(partial(_if_seen, found, is_seen))


def as_it_is(found: Expected) -> Expected:
    return found


def _if_seen(truth: Callable[[], Expected], is_seen: bool) -> Expected:
    found = truth()
    return found if is_seen else replace(found, is_owed=False)


def pauses(plan: NightPlan, subject: str, at_s: float) -> None:
    """The sender itself stops for 0.3 s every 2 s: no number is missing."""
    options = {"paused": lambda t_s: t_s >= at_s and (t_s - at_s) % 2 < 0.3}
    _play_anew(plan, subject, plan.desk_of(subject, **options))
    causes = ("sender-paused", "shared-path") if subject == "main" else ("sender-paused",)
    plan.truths.append(
        moving_truth(plan, subject, f"{subject} pauses", ("uneven-refresh",), at_s, ("slow-refresh",), causes=causes)
    )


def drops_out(plan: NightPlan, subject: str, at_s: float) -> None:
    """The path lets nothing through for half a second or more, four times."""
    gone_s, each_s = plan.chance.between(0.4, 1.4), plan.chance.between(2.0, 3.0)
    for nth in range(4):
        from_s = at_s + nth * each_s
        plan.wrap(subject, lambda before, from_s=from_s: stage.cut(before, from_s, from_s + gone_s))  # type: ignore[misc]
    _lossy(plan, subject, at_s)

    def truth() -> Expected:
        numbers = (LIGHTS,) if subject == "lights" else plan.numbers
        names = tuple(
            f"e131/{n}" for n in numbers if plan.moves_from_s(n, at_s - 0.5, at_s + 4 * each_s + 0.5) < plan.seconds
        )
        gone = plan.silent_from_s(subject, at_s - 1.0) < at_s + WINDOW_DUE_S or plan.is_silent(subject, at_s)
        shown = names if names and not gone and set(plan.lossy_s) == {subject} else ()
        rules = ("packet-loss", "uneven-refresh")
        return Expected("drop-outs", rules, (), shown or names, at_s, at_s + WINDOW_DUE_S, SIDE, bool(shown))

    plan.truths.append(truth)


def overloaded(plan: NightPlan, subject: str, at_s: float) -> None:
    """Only every third frame of the clock is sent."""
    hz = plan.common["hz"]
    options = {"paused": lambda t_s: t_s >= at_s and round(t_s * hz) % 3 > 0}
    _play_anew(plan, "main", plan.main_desk(**options))
    also = ("uneven-refresh", "backup-differs")
    plan.truths.append(moving_truth(plan, "main", "overloaded desk", ("slow-refresh",), at_s, also))


def unpaced(plan: NightPlan, subject: str, at_s: float) -> None:
    """The desk sends eight frames at once, and then nothing for the time of eight."""
    hz = plan.common["hz"]

    def behind_s(frame: int) -> float:
        return (7 - (frame - 1) % 8) * 0.97 / hz if frame >= at_s * hz else 0.0

    _play_anew(plan, "main", plan.main_desk(pace=behind_s))
    also = ("slow-refresh", "backup-differs")
    plan.truths.append(moving_truth(plan, "main", "frames in bursts", ("uneven-refresh",), at_s, also))


def too_fast(plan: NightPlan, subject: str, at_s: float) -> None:
    """The desk follows a picture of 60 Hz from now on, where a line of 512 slots carries 44."""
    desk = plan.main_desk(start_s=at_s + 0.01, hz=60.0, first_sequence=plan.chance.below(256))
    plan.wrap("main", lambda before: mixed(stage.cut(before, at_s), plan.send(desk)))
    also = ("packet-loss", "backup-differs", "uneven-refresh")
    # Its numbers jump on every universe.
    jump = Expected("faster than a line", ("packet-loss",), (), plan.universes("main"), at_s, plan.seconds)
    plan.truths.append(partial(as_it_is, replace(jump, is_owed=False)))
    plan.truths.append(moving_truth(plan, "main", "faster than a line", ("fast-refresh",), at_s, also))


def path_damages(plan: NightPlan, subject: str, at_s: float) -> None:
    """Of what everybody sends one packet in ten or so comes with a wrong checksum: the kernel drops and counts it."""
    ratio, seed = plan.chance.between(0.06, 0.2), plan.chance.below(1 << 30)
    plan.damaged_s = at_s
    plan.arriving.append(lambda items: stage.damaged(items, ratio, seed, at_s))
    for one in plan.everyone():
        _lossy(plan, one, at_s)
    if plan.strangers:
        guests = Expected("damaged", SIDE, (), tuple(plan.strangers), at_s, plan.seconds, is_owed=False)
        plan.truths.append(partial(as_it_is, guests))

    def truth() -> Expected:
        to_s = min(plan.silent_from_s("main", at_s), plan.seconds - 1)
        moves_s = min(plan.moves_from_s(number, at_s, to_s, frames=True) for number in plan.numbers)
        is_owed = moves_s < math.inf and not plan.is_silent("main", at_s)
        due_s = moves_s + WINDOW_DUE_S
        return Expected("packets arrive damaged", ("damaged-packets",), ("damaged",), (), at_s, due_s, SIDE, is_owed)

    plan.truths.append(truth)


def _play_anew(plan: NightPlan, subject: str, desk: Desk) -> None:
    plan.parts[subject] = lambda: plan.send(desk)


def doubled(plan: NightPlan, subject: str, at_s: float) -> None:
    """A loop, or a mirror of both directions: each packet comes twice."""
    plan.doubled.add(subject)
    plan.wrap(subject, lambda before: stage.doubled(before, 1, 0.0003, at_s))
    names = plan.universes(subject)
    fault = f"{subject} doubled"
    if subject == "media":
        plan.truths.append(
            lambda: Expected(
                fault,
                ("repeated-packets",),
                (),
                names,
                at_s,
                at_s + WINDOW_DUE_S,
                is_owed=_media_sends_enough(plan, at_s),
            )
        )
        return
    plan.truths.append(moving_truth(plan, subject, fault, ("repeated-packets",), at_s, frames=True))


def overtaken(plan: NightPlan, subject: str, at_s: float) -> None:
    """Some packets take a longer path and come after those that follow them: a note at most."""
    ratio, seed = plan.chance.between(0.02, 0.08), plan.chance.below(1 << 30)
    by_s = 1.2 / plan.common["hz"]
    plan.wrap("main", lambda before: stage.swapped(before, ratio, by_s, seed, lambda sent: sent.t_ns >= at_s * 1e9))
    # A gap of two frames is not a stutter, and a late frame is not lost.


def number_stands(plan: NightPlan, subject: str, at_s: float) -> None:
    """The sequence number stays the same: receivers discard what follows."""
    number = bytes((plan.chance.below(256),))
    plan.wrap(subject, lambda before: changed(before, put(SEQUENCE, number), at_s))
    _unusable(plan, subject, f"number of {subject} stays", at_s)


def hangs(plan: NightPlan, subject: str, at_s: float) -> None:
    """The sender hangs and repeats one packet."""
    plan.wrap(subject, lambda before: frozen(before, at_s))
    # Its per-address priorities no longer come.
    _unusable(plan, subject, f"{subject} repeats one packet", at_s, ("slot-priority-faulty",))


def _unusable(plan: NightPlan, subject: str, fault: str, at_s: float, beside: tuple[str, ...] = ()) -> None:
    plan.unnumbered.add(subject)
    names = plan.universes(subject)
    also = (*LOSSES, "packet-loss", "backup-differs", *beside)
    rules = ("sequence-unusable",)
    plan.truths.append(
        lambda: Expected(
            fault,
            rules,
            (),
            names,
            at_s,
            at_s + 12.0,
            also,
            is_owed=plan.silent_from_s(subject, at_s) > at_s + 12.0,
        )
    )


APART = 8
"""Numbers by which two desks that send alike stay apart, whichever of them is a keep-alive ahead."""


def cloned(plan: NightPlan, subject: str, at_s: float) -> None:
    """A second computer with the main desk's identity."""
    plan.house["by_address"] = False
    first = plan.chance.below(256)
    desk = plan.main_desk(address=CLONE, start_s=at_s, first_sequence=first, seed=9)
    plan.parts["clone"] = lambda: plan.send(desk)
    also = ("source-conflict", "backup-differs", "sequence-unusable", "packet-loss", "repeated-packets")
    names = plan.universes("main")

    def truth() -> Expected:
        # One that happens to count as the desk does looks like the desk itself, heard by a second way.
        ahead = [(number + 1 - first) % 256 for number in numbers_at(plan.main_desk(), at_s).values()]
        is_apart = any(APART <= steps <= 256 - APART for steps in ahead)
        is_owed = is_apart and plan.silent_from_s("main", at_s) > at_s + 10.0
        due_s = at_s + 5.0 + 3 * E131_DUE_S
        return Expected("cloned identity", ("duplicate-identity",), (), names, at_s, due_s, also, is_owed)

    plan.truths.append(truth)


def overrun(plan: NightPlan, subject: str, at_s: float) -> None:
    """The listener's own buffer overflows for 10 s: what is missing is its own fault."""
    seed = plan.chance.below(1 << 30)
    for one in list(plan.parts):
        plan.wrap(one, lambda before: stage.lossy(before, 0.2, seed, at_s, at_s + 10.0))
    drops = [DropsSeen(round((at_s + n / 10) * 1e9), 4 * (n + 1)) for n in range(100)]
    plan.parts["drops"] = lambda: mixed(seen(*drops))
    plan.blind.append((at_s, at_s + 10.0))
    plan.truths.append(lambda: Expected("own buffer overflows", ("host-overrun",), (), (), at_s, at_s + 2.0))
