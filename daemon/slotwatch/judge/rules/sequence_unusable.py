"""E1.31 sequence numbers do not change, run backwards, jump about or step by more than one each time, or those of
E1.31 or Art-Net are of two series."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import STREAM, UNIVERSE, Explains, Reach
from slotwatch.judge.fault_onset import counted_in, window_of
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import LOOK_FOR_A_SECOND, Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.interleaving import PLAIN
from slotwatch.model.sequence import SEQUENCES, STUCK_AFTER, WINDOW
from slotwatch.model.windows import DISCARDED, FRAMES, LOST
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.universe import Protocol

DISCARD_STEPS = SEQUENCES - WINDOW
"""Steps of -20 to -1 (as bytes): every frame falls into the discard window of E1.31 6.7.2."""
STUCK_PACKETS = STUCK_AFTER + 1
TWO_SENDERS = "two-senders"
HABITS = frozenset({"backwards", "erratic", "random", "shared", "stepped", "stuck"})
"""Causes where one sender numbers its packets so."""
MADE_BY_TWO = frozenset(
    {"false-end", "fast-refresh", "preview-only", "slot-priority-faulty", "slots-vary", "sync-missing", "unlike-usual"}
)


@dataclass(frozen=True, slots=True)
class SequenceUnusableParameters(RuleParameters):
    window_s: float = number(10.0, "time in which discarded frames are counted")
    step: int = number(2, "smallest constant step that counts, if it is the number of universes that are sent")
    sure_step: int = number(3, "smallest constant step that counts whatever is sent")
    discarded: int = number(20, "discarded frames above which the numbers are unusable: they jump back all the time")
    mixed_s: int = number(3, "fewest seconds in which frames are discarded and others accepted")
    none_s: float = number(
        2.5,
        "time without an accepted frame, in which discarded ones come: receivers have lost the source",
        "ANSI E1.31-2018 6.7.1",
    )
    missing: int = number(
        1000, "missing numbers in the window above which they jump: more than twice what a full line carries"
    )
    missing_ratio: float = number(3.0, "ratio of missing numbers to accepted frames above which they jump")
    jumping_discarded: int = number(5, "discarded frames with which numbers that jump are unusable")
    jumping_s: int = number(3, "fewest seconds in which they jump")
    interleaved: int = number(
        PLAIN,
        "count from which two series are reported: a jump that takes up the series that an earlier jump left adds 2, "
        "any other takes 1 away",
    )


@dataclass(frozen=True, slots=True)
class SequenceUnusableFacts(Facts):
    habit: str
    effect: str


def may_be_any(ctx: RuleContext, p: SequenceUnusableParameters) -> bool:
    """Whether any numbers stand still or step by more than one, or frames were discarded."""
    streams = ctx.streams
    if not ctx.live_count:
        return False
    odd = (streams.sequence_step >= p.step) | streams.sequence_stuck | (streams.interleaved >= p.interleaved)
    return bool(np.count_nonzero(odd)) or ctx.is_any_counted(DISCARDED, p.window_s)


def is_unusable(ctx: RuleContext, p: SequenceUnusableParameters) -> Mask:
    """E1.31 numbers that do not change, run backwards, jump about or step too far each time, and any of two series."""
    if not ctx.live_count:
        return ctx.live
    streams = ctx.streams
    step = streams.sequence_step
    of_two = ctx.live & _is_of_two(ctx, p)
    odd: Mask = streams.sequence_stuck | of_two
    discarded = ctx.counted((DISCARDED,), p.window_s)
    if np.count_nonzero(discarded > p.discarded):
        odd |= _jumps_back(ctx, discarded > ctx.counted((FRAMES,), p.window_s) + p.discarded, p)
        odd |= (discarded > p.discarded) & _none_accepted(ctx, p)
    if np.count_nonzero(discarded >= p.jumping_discarded):
        odd |= _jumps_about(ctx, discarded >= p.jumping_discarded, p)
    for row in (ctx.live_e131 & ~odd & (step >= p.step)).nonzero()[0].tolist():
        odd[row] = _steps_too_far(ctx, row, p)
    odd &= ctx.live_e131
    return odd | of_two


def _steps_too_far(ctx: RuleContext, row: int, p: SequenceUnusableParameters) -> bool:
    """A step of two can also be every second frame lost: only a count of universes or more speaks for the sender."""
    step = int(ctx.streams.sequence_step[row])
    return step >= p.sure_step or (step >= p.step and step == _universes_sent(ctx, row))


def _jumps_back(ctx: RuleContext, many: Mask, p: SequenceUnusableParameters) -> Mask:
    """Of streams with many discarded frames, those whose frames are accepted in between: the numbers do not stand."""
    jumps: Mask = many & ctx.live_e131
    for row in np.flatnonzero(jumps).tolist():
        jumps[row] = ctx.seconds_of_both(FRAMES, DISCARDED, row, p.window_s) >= p.mixed_s
    return jumps


def jumps_ahead(ctx: RuleContext, p: SequenceUnusableParameters) -> Mask:
    """Streams that miss far more numbers than a sender has time for: it skips them."""
    missing = ctx.counted((LOST,), p.window_s)
    ahead: Mask = (missing > p.missing) & (missing > p.missing_ratio * ctx.counted((FRAMES,), p.window_s))
    return ahead


def _jumps_about(ctx: RuleContext, back: Mask, p: SequenceUnusableParameters) -> Mask:
    """Of streams whose numbers jump back, those whose numbers also jump ahead, for longer than a restart does."""
    about: Mask = back & ctx.live_e131
    about &= jumps_ahead(ctx, p)
    for row in np.flatnonzero(about).tolist():
        about[row] = ctx.seconds_of_both(FRAMES, LOST, row, p.window_s) >= p.jumping_s
    return about


def _is_of_two(ctx: RuleContext, p: SequenceUnusableParameters) -> Mask:
    """Streams of two series of numbers: what seems to be missing between them was never sent."""
    of_two: Mask = ctx.streams.interleaved >= p.interleaved
    if np.count_nonzero(of_two):
        of_two &= ctx.now_ns - ctx.streams.interleaved_ns <= ns_from_s(p.window_s)
    return of_two


def _none_accepted(ctx: RuleContext, p: SequenceUnusableParameters) -> Mask:
    """Streams whose frames are all discarded: their numbers never come past the last accepted one."""
    none: Mask = ctx.counted((FRAMES,), p.none_s) == 0
    none &= ctx.counted((DISCARDED,), p.none_s) > 0
    return none


def unusable_since_ns(ctx: RuleContext, row: int, p: SequenceUnusableParameters) -> int:
    """Ten packets ago where numbers do not change; a step is the commonest of the window after half of them."""
    streams = ctx.streams
    if _is_of_two(ctx, p)[row]:
        return int(streams.interleaved_since_ns[row])
    if streams.sequence_stuck[row]:
        back_ns = STUCK_PACKETS * int(streams.median_interval_ns[row])
        return max(ctx.now_ns - back_ns, int(streams.since_ns[row]))
    if _steps_too_far(ctx, row, p):
        return window_of(p.window_s / 2)(ctx, row)
    return counted_in(LOST if jumps_ahead(ctx, p)[row] else DISCARDED, p.window_s)(ctx, row)


def of_two_until_ns(ctx: RuleContext, row: int, p: SequenceUnusableParameters) -> int:
    """When a second series was last seen; 0 for other numbers."""
    return int(ctx.streams.interleaved_ns[row]) if _is_of_two(ctx, p)[row] else 0


def _universes_sent(ctx: RuleContext, row: int) -> int:
    return int(np.count_nonzero(ctx.live[ctx.streams_from(ctx.source_of(row))]))


def describe_unusable(ctx: RuleContext, row: int, p: SequenceUnusableParameters) -> Finding:
    streams = ctx.streams
    step, sent = int(streams.sequence_step[row]), _universes_sent(ctx, row)
    name = ctx.universe_name(ctx.universe_of(row))
    figure, also, checks = "", tuple[str, ...](), tuple[str, ...]()
    effect, confidence = "Conforming receivers may discard its data.", Confidence.CERTAIN
    if _is_of_two(ctx, p)[row]:
        identity = Protocol(streams.protocol[row]).facts.identity
        habit, cause, confidence = (
            f"belong to two series at once, as if two senders used this {identity}",
            TWO_SENDERS,
            Confidence.MEDIUM,
        )
        effect = "Receivers may follow either of them, or both in turn."
        also, checks = ("one program that numbers two of its outputs separately",), (LOOK_FOR_A_SECOND,)
    elif streams.sequence_stuck[row]:
        habit, cause, figure = "do not change", "stuck", f" They stay at {int(streams.sequence[row])}."
    elif step >= DISCARD_STEPS:
        habit, cause, figure = "run backwards", "backwards", f" They step by -{SEQUENCES - step}."
    elif step >= p.step and step == sent:
        habit, cause = f"step by {step}, the number of universes it sends, so all of them share one count", "shared"
    elif step >= p.sure_step:
        habit, cause, figure = "step by more than one", "stepped", f" They step by {step}."
    elif jumps_ahead(ctx, p)[row]:
        habit, cause = "jump forward and back in no order", "random"
        also = ("two programs that send with one identity and address",)
    else:
        share = "all" if _none_accepted(ctx, p)[row] else "most"
        habit, cause = f"jump back so often that {share} frames are discarded", "erratic"
        also = ("two programs that send with one identity and address",)
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts=SequenceUnusableFacts(habit, effect),
        evidence=(f"{name}: numbers {habit}.{figure} Loss cannot be measured on it.",),
        cause=cause,
        confidence=confidence,
        also_possible=also,
        next_checks=checks,
    )


def bind(setup: RuleSetup, p: SequenceUnusableParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(
            STREAMS,
            partial(is_unusable, p=p),
            partial(describe_unusable, p=p),
            subject=partial(may_be_any, p=p),
            began_ns=partial(unusable_since_ns, p=p),
            ended_ns=partial(of_two_until_ns, p=p),
            blind_window_s=p.window_s,
        ),
    )


RULE = Rule(
    name="sequence-unusable",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("{place} sequence bad", "{n} sequences bad", on_its_screen=True),
    sentence="{universes}{from_sender}: sequence numbers {habit}. {effect}",
    judged_by=judged_by(SequenceUnusableParameters(), bind),
    facts=SequenceUnusableFacts,
    explains=Explains(
        70,
        # Receivers discard its frames, so its levels freeze for them, whatever the other sources send.
        # A loss is never made by numbers: a universe is lost only once nothing arrives.
        Reach(STREAM, rules=frozenset({"out-of-order", "packet-loss", "uneven-refresh", "source-conflict"})),
        # Its finding is about the backup alone, and the numbers may be those of the main source.
        Reach(UNIVERSE, rules=frozenset({"backup-differs"})),
        # Frames of two senders look like those of one.
        Reach(STREAM, rules=MADE_BY_TWO, causes=frozenset({TWO_SENDERS})),
        # They discard its per-address priorities as well.
        Reach(UNIVERSE, rules=frozenset({"slot-priority-faulty"}), only=frozenset({"mixed"})),
    ),
    measured=(
        Threshold("stuck_packets", STUCK_PACKETS, "packets in a row with one number before the numbers count as stuck"),
        Threshold(
            "discard_window", WINDOW, "numbers behind the last accepted that are discarded", "ANSI E1.31-2018 6.7.2"
        ),
    ),
    source="ANSI E1.31-2018 6.2.5, 6.7.2; Art-Net 4, ArtDmx: Sequence",
    faults=("F41", "F59", "F60", "F62"),
    next_checks=(
        "Look at the sender's version and settings: each universe needs its own sequence.",
        "Find out which receivers follow and which do not: not all of them discard such data.",
    ),
)
