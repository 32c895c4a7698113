"""Routes that met their own output, and DMX512 lines beside the universes that should be on them.

A line is right while each of its slots stands between the lowest and highest level that its universe had for
that slot within the last moments: a gateway may be some frames behind, and then nothing is different.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House, Line
from slotwatch.judge.binding import KEYS, Finding, RuleBinding
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.context import RuleContext
from slotwatch.snapshot import Confidence
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
Levels = NDArray[np.uint8]


def bindings(house: House) -> tuple[RuleBinding, ...]:
    found = [RuleBinding("route-loop", KEYS, looped_routes, describe_loop)]
    if house.lines:
        lines = LineComparison(house)
        found += [
            RuleBinding("line-differs", KEYS, lines.differing, lines.describe, is_wary=lines.is_comparing),
            RuleBinding("line-faulty", KEYS, faulty_lines, describe_faulty),
            RuleBinding("line-port-missing", KEYS, missing_ports, describe_missing),
        ]
    return tuple(found)


def looped_routes(ctx: RuleContext) -> dict[str, None]:
    routes = ctx.listener.routes
    if routes is None:
        return {}
    return {name: None for name, state, _, _ in routes.routes if state == "loop"}


def describe_loop(ctx: RuleContext, name: str) -> Finding:
    assert ctx.listener.routes is not None
    target, source = next((t, s) for n, _, t, s in ctx.listener.routes.routes if n == name)
    return Finding(
        group=f"route:{name}",
        since_ns=0,
        facts={"route": name, "universes": f"{source} and {target}"},
        evidence=(f"What the route sent to {target} came back on {source}; the route has stopped itself.",),
        next_checks=(f"Look which gateway or program brings {target} back onto {source}.",),
    )


@dataclass(slots=True)
class Seen:
    """One line's last comparison, and its universe's last moments."""

    history: deque[tuple[int, Levels]] = field(default_factory=deque)
    """(time, levels) of the universe, oldest first."""
    fault: str = ""
    evidence: str = ""
    cause: str = ""


class LineComparison:
    """Compares every declared line with the universe that should be on it."""

    def __init__(self, house: House) -> None:
        rule = CATALOG["line-differs"]
        self._lines = [line for line in house.lines if line.compare_with is not None]
        self._level = int(rule.threshold("level"))
        self._behind_ns = int(rule.threshold("behind_s") * NANOSECONDS)
        self._history_ns = int(rule.threshold("history_s") * NANOSECONDS)
        self._seen = {line.name: Seen() for line in self._lines}

    def differing(self, ctx: RuleContext) -> dict[str, None]:
        return {line.name: None for line in self._lines if self._differs(ctx, line)}

    def is_comparing(self, ctx: RuleContext) -> bool:
        """Whether levels are compared over time: both are remembered pass by pass."""
        return any(seen.history for seen in self._seen.values())

    def describe(self, ctx: RuleContext, name: str) -> Finding:
        seen = self._seen[name]
        line = next(one for one in self._lines if one.name == name)
        universe, own = _row(ctx, line.compare_with), _line_row(ctx, line)
        rows = tuple(row for row in (universe, own) if row is not None)
        return Finding(
            group=f"line:{name}",
            since_ns=0,
            universes=rows,
            facts={"line": f"line/{name}", "universes": str(line.compare_with), "fault": seen.fault},
            evidence=(seen.evidence,),
            cause=seen.cause,
            confidence=Confidence.CERTAIN,
            also_possible=("The gateway merges another source that cannot be seen from here.",),
            still_working=(f"{line.compare_with} reaches this port whole.",),
        )

    def _differs(self, ctx: RuleContext, line: Line) -> bool:
        universe, own = _row(ctx, line.compare_with), _line_row(ctx, line)
        seen = self._seen[line.name]
        if universe is None or own is None or not ctx.universes.live[universe] or not ctx.universes.live[own]:
            seen.history.clear()  # a silence on either side has rules of its own
            return False
        levels, _ = ctx.winning(np.array([universe, own]))
        seen.history.append((ctx.now_ns, levels[0].copy()))
        while ctx.now_ns - seen.history[0][0] > self._history_ns:
            seen.history.popleft()
        slots = int(ctx.universes.slots[own])
        return self._compare(ctx.now_ns, seen, levels[1], slots)

    def _compare(self, now_ns: int, seen: Seen, line: Levels, slots: int) -> bool:
        recent = np.stack([levels for at, levels in seen.history if now_ns - at <= self._behind_ns])
        used = np.flatnonzero(recent.max(axis=0))
        if len(used) and used[-1] >= slots:
            return self._say(
                seen,
                "short",
                f"it carries {slots} slots, the universe has levels up to slot {used[-1] + 1}",
                f"Slots {slots + 1} to {used[-1] + 1} never reach the line.",
            )
        low = recent.min(axis=0).astype(np.int16) - self._level
        high = recent.max(axis=0).astype(np.int16) + self._level
        off = ((line < low) | (line > high))[:slots]
        if not off.any():
            return False
        worst = int(np.flatnonzero(off)[0])
        said = f"Slot {worst + 1} stands at {line[worst]} on the line and at {recent[-1][worst]} in the universe"
        late_ns = self._late_ns(now_ns, seen, line, slots)
        if late_ns is not None:
            return self._say(seen, "late", f"it runs {late_ns / 1e9:.1f} s behind", f"{said}; the line follows late.")
        count = int(off.sum())
        return self._say(seen, "different", f"{count} of its slots differ", f"{said}; {count} slots differ.")

    def _late_ns(self, now_ns: int, seen: Seen, line: Levels, slots: int) -> int | None:
        for at, levels in reversed(seen.history):
            if np.abs(levels[:slots].astype(np.int16) - line[:slots]).max(initial=0) <= self._level:
                return now_ns - at
        return None

    @staticmethod
    def _say(seen: Seen, cause: str, fault: str, evidence: str) -> bool:
        seen.cause, seen.fault, seen.evidence = cause, fault, evidence
        return True


def faulty_lines(ctx: RuleContext) -> dict[int, None]:
    most = CATALOG["line-faulty"].threshold("faults")
    return {number: None for number, line in ctx.listener.lines.items() if line.faults_10s > most}


def describe_faulty(ctx: RuleContext, number: int) -> Finding:
    line = ctx.listener.lines[number]
    return Finding(
        group=f"line:{number}",
        since_ns=0,
        universes=_rows_of(ctx, number),
        facts={"line": _name(ctx, number), "faults": str(line.faults_10s)},
        evidence=(f"{line.seen.faults} faulty octets in {line.seen.breaks} frames since the port was opened.",),
    )


def missing_ports(ctx: RuleContext) -> dict[int, None]:
    return {number: None for number, line in ctx.listener.lines.items() if not line.seen.open and line.seen.trouble}


def describe_missing(ctx: RuleContext, number: int) -> Finding:
    line = ctx.listener.lines[number]
    return Finding(
        group=f"line:{number}",
        since_ns=0,
        universes=_rows_of(ctx, number),
        facts={"line": _name(ctx, number), "reason": f"{line.seen.trouble}."},
        evidence=(line.seen.trouble,),
    )


def _name(ctx: RuleContext, number: int) -> str:
    return next((f"line/{line.name}" for line in ctx.house.lines if line.number == number), f"line {number}")


def _row(ctx: RuleContext, wanted: Any) -> int | None:
    universes = ctx.universes
    rows = np.flatnonzero(
        universes.used & (universes.protocol == int(wanted.protocol)) & (universes.number == wanted.number)
    )
    return int(rows[0]) if len(rows) else None


def _line_row(ctx: RuleContext, line: Line) -> int | None:
    rows = _rows_of(ctx, line.number)
    return rows[0] if rows else None


def _rows_of(ctx: RuleContext, number: int) -> tuple[int, ...]:
    universes = ctx.universes
    found = universes.used & (universes.protocol == int(Protocol.LINE)) & (universes.number == number)
    return tuple(np.flatnonzero(found).tolist())
