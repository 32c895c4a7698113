"""Data arrives on a universe that the house file does not declare."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.judge.binding import UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.homes import SILENT_NS, declared_elsewhere
from slotwatch.judge.leg_causes import checks_of_wrong_network
from slotwatch.judge.numbering_mistakes import (
    HEARD_AT_START_NS,
    MOVE_NS,
    declared_relatives,
    moved_from,
    say_of_runs,
)
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import declares_universes
from slotwatch.model.universes import ended_by_leaving
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import Protocol

REFRESH_S = 2.0


@dataclass(frozen=True, slots=True)
class UndeclaredUniverseParameters(RuleParameters):
    on_delay_s: float = number(1.0, "time that it carries data before the incident opens")
    frames: int = number(3, "fewest frames that count")


@dataclass(frozen=True, slots=True)
class UndeclaredUniverseFacts(Facts):
    looks_like: str


def is_undeclared(ctx: RuleContext, p: UndeclaredUniverseParameters) -> Mask:
    """Data on a universe that the house does not declare. A house without universes declares nothing to miss."""
    universes = ctx.universes
    undeclared: Mask = universes.used & (universes.declared < 0)
    if not ctx.house.universes or not undeclared.any():
        return np.zeros(universes.count, np.bool_)
    undeclared &= (universes.live > 0) & (universes.frames >= p.frames)
    undeclared &= ~ended_by_leaving(universes)  # the last frames of what a reload took out of the file
    undeclared &= universes.protocol != int(Protocol.LINE)  # only lines that the house declares are listened to
    return undeclared


def describe_undeclared(ctx: RuleContext, row: int) -> Finding:
    winner = int(ctx.universes.winner[row])
    # Thousands may begin at once: the house is looked through for each only where that may find something.
    is_any_silent = ctx.once(_is_any_silent)
    relatives = [one for one in declared_relatives(ctx, row) if _came_from(ctx, row, one)] if is_any_silent else []
    moved = dict(moved_from(ctx, row))
    name_here = ctx.universe_name(row)
    # A source's universes are one incident: the sentence says which of them it means.
    meant = f"{name_here} may be meant for {ctx.universe_name(relatives[0])}, which is silent." if relatives else ""
    if not relatives and is_any_silent:
        meant = say_of_runs(ctx, row)
    looks_like = meant and f" {meant}"
    if moved:
        ended = ctx.time_of_day(max(moved.values()))
        looks_like = f" Its source stopped {ctx.name_universes(list(moved))} at {ended}: that data may have moved."
    belongs = [home for home in declared_elsewhere(ctx, row) if _came_from(ctx, row, home)] if is_any_silent else []
    if belongs:
        home = ctx.network_name(int(ctx.universes.network[belongs[0]]))
        looks_like = f" The house file has it on network {home}, where it is not heard: a lead or a VLAN may be wrong."
    name = ctx.source_name(ctx.source_of(winner)) if winner >= 0 else ""
    on = f"network {ctx.network_name(int(ctx.universes.network[row]))}"
    return Finding(
        group=f"source:{name}" + (" elsewhere" if belongs else ""),
        since_ns=int(ctx.universes.first_frame_ns[row]),
        universes=(row,),
        streams=(winner,) if winner >= 0 else (),
        networks=(int(ctx.universes.network[row]),),
        facts=UndeclaredUniverseFacts(looks_like),
        evidence=(
            f"{name_here}: data since {ctx.time_of_day(int(ctx.universes.first_frame_ns[row]))}.",
            *([meant] if meant and not belongs else ()),
        ),
        cause="wrong-network" if belongs else "numbered-off" if meant or moved else "",
        weight=float(bool(meant or moved)),
        next_checks=checks_of_wrong_network(f'"{name}"' if name else "its source", on)
        if belongs
        else RULE.next_checks[-1:]
        if meant or moved
        else (),
    )


def _is_any_silent(ctx: RuleContext) -> bool:
    """Whether any declared universe is not heard now: only of such a one the data may come here instead."""
    universes = ctx.universes
    silent = (universes.live == 0) | (ctx.now_ns - universes.last_arrival_ns > SILENT_NS)
    return bool((universes.used & (universes.declared >= 0) & silent).any())


def _came_from(ctx: RuleContext, here: int, home: int) -> bool:
    """Whether data that is due on one universe may come on this one instead: it began here as that ended, or never
    came there. Where both had data before, only one of them has lost it.
    """
    winner, last_ns = int(ctx.universes.winner[here]), int(ctx.universes.last_arrival_ns[home])
    since_ns = ctx.streams.since_ns[winner] if winner >= 0 else ctx.universes.first_frame_ns[here]
    return not last_ns or int(since_ns) > max(last_ns - MOVE_NS, ctx.started_ns + HEARD_AT_START_NS)


def bind(setup: RuleSetup, p: UndeclaredUniverseParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(
            UNIVERSES, partial(is_undeclared, p=p), describe_undeclared, subject=declares_universes, refresh_s=REFRESH_S
        ),
    )


RULE = Rule(
    name="undeclared-universe",
    rule_class=RuleClass.CONTROL,
    severity=Severity.NOTE,
    short=ShortWords("{place} not declared", "{n} universes not declared", look="Check whether it belongs here"),
    sentence="{universes}{from_sender}: data arrives that the house file does not declare.{looks_like}",
    judged_by=judged_by(UndeclaredUniverseParameters(), bind),
    facts=UndeclaredUniverseFacts,
    faults=("F12", "F49", "F50"),
    may_exceed_note=False,
    next_checks=(
        "Check whether it belongs to tonight's show: a visiting desk, a test program, an old show file.",
        "Compare how the sender's display numbers universes with the number heard here.",
    ),
)
