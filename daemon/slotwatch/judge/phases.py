"""The severity of each rule's alerts: by phase, timetable, quiet windows and declared exceptions.

A phase sets the severity, never what is measured. The timetable raises severities automatically; it lowers them only
once its sources closed cleanly or a person confirms.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from slotwatch.house.schema import Accepted, House, Phase, Quiet
from slotwatch.judge.rule import Rule, RuleClass
from slotwatch.snapshot import PhaseMemory, Severity
from slotwatch.wire.universe import UniverseId

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FULL, LOWER, NOTE = "full", "one lower", "note"

_D, _G, _R, _P, _S, _A = Phase.DARK, Phase.GET_IN, Phase.REHEARSAL, Phase.PRE_SHOW, Phase.SHOW, Phase.POST_SHOW
_ALWAYS = dict.fromkeys(Phase, FULL)
GRADES: dict[RuleClass, dict[Phase, str]] = {
    RuleClass.LOSS: {_D: NOTE, _G: NOTE, _R: LOWER, _P: FULL, _S: FULL, _A: NOTE},
    RuleClass.FLOW: {_D: NOTE, _G: NOTE, _R: LOWER, _P: FULL, _S: FULL, _A: NOTE},
    RuleClass.CONTROL: {_D: LOWER, _G: LOWER, _R: FULL, _P: FULL, _S: FULL, _A: LOWER},
    RuleClass.PATCH: {_D: NOTE, _G: LOWER, _R: FULL, _P: FULL, _S: FULL, _A: LOWER},
    RuleClass.STORM: _ALWAYS,
    RuleClass.SELF: _ALWAYS,
}
FULL_IN_DARK = frozenset({"lights-left-on"})
"""Holds in the dark alone, so its severity counts there; its own time makes it a note first."""

MORE_BEFORE_SHOW = frozenset({"unlike-usual"})
"""More than a note while something can still be done about it, and at no other time."""

ORDER = (Phase.DARK, Phase.POST_SHOW, Phase.GET_IN, Phase.REHEARSAL, Phase.PRE_SHOW, Phase.SHOW)
"""From the lowest severities to the highest; `pre-show` and `show` have the same."""
DAY = (Phase.DARK, Phase.GET_IN, Phase.REHEARSAL, Phase.PRE_SHOW, Phase.SHOW, Phase.POST_SHOW)
"""In the order of a day."""


def grade(rule: Rule, severity: Severity, phase: Phase) -> Severity:
    """Give a severity as it is in a phase."""
    if not rule.may_exceed_note:
        return Severity.NOTE
    graded = GRADES[rule.rule_class][phase]
    if rule.quiet_in_dark and phase is Phase.DARK:
        graded = NOTE
    if rule.name in FULL_IN_DARK and phase is Phase.DARK:
        graded = FULL
    if rule.name in MORE_BEFORE_SHOW and phase is not Phase.PRE_SHOW:
        graded = NOTE
    if graded == FULL:
        return severity
    return Severity.NOTE if graded == NOTE else lowered(severity, 1)


def lowered(severity: Severity, steps: int) -> Severity:
    """Lower a severity (or raise it, by steps below zero); a note is the lowest."""
    return Severity(min(Severity.CRITICAL, max(Severity.NOTE, severity - steps)))


def severity_rank(phase: Phase) -> int:
    """Rank phases by their severities."""
    return min(ORDER.index(phase), ORDER.index(Phase.PRE_SHOW))


def zone_of(house: House) -> tzinfo:
    """Give the house's time zone; UTC where its name is not known to this computer."""
    try:
        return ZoneInfo(house.time_zone)
    except (ZoneInfoNotFoundError, ValueError):
        return UTC


def scheduled(house: House, at: datetime, zone: tzinfo) -> tuple[datetime, Phase] | None:
    """Give the timetable's newest change at or before a moment, and when it was due (UTC); None: no timetable.

    Times are of the house's own wall clock, so that 19:00 stays 19:00 when summer time begins or ends; of a
    time that comes twice the first counts, and one that the clocks skip is due as they skip it, before what follows.
    """
    local = at.astimezone(zone)
    newest: tuple[datetime, time, Phase] | None = None
    for days_ago in range(8):
        day = (local - timedelta(days=days_ago)).date()
        for row in house.timetable:
            if day.weekday() not in row.days:
                continue
            due = _shown_first(datetime.combine(day, row.at, zone), zone)
            if due <= at and (newest is None or (due, row.at) > newest[:2]):
                newest = due, row.at, row.phase
        if newest is not None and days_ago:
            break
    return None if newest is None else (newest[0], newest[2])


def _shown_first(wall: datetime, zone: tzinfo) -> datetime:
    """Give when a clock first shows a time (UTC), or, if it skips it, when it does so."""
    early, late = sorted((wall.astimezone(UTC), wall.replace(fold=1).astimezone(UTC)))
    shown = early.astimezone(zone)
    if shown.replace(tzinfo=None) == wall.replace(tzinfo=None):
        return early
    while late - early > timedelta.resolution:
        middle = early + (late - early) / 2
        if middle.astimezone(zone).utcoffset() == shown.utcoffset():
            early = middle
        else:
            late = middle
    return late


def quiet_window(house: House, rule: Rule, at: datetime) -> Quiet | None:
    """Give the quiet window that covers a rule at a moment. Storms and the listener's own faults are never muted."""
    if rule.rule_class in (RuleClass.STORM, RuleClass.SELF) or not rule.may_be_quiet:
        return None
    for window in house.quiet:
        in_force = _aware(window.start, house) <= at < _aware(window.end, house)
        if in_force and (not window.rules or rule.name in window.rules):
            return window
    return None


def quiet_until(house: House, at: datetime) -> datetime | None:
    """Give when the present quiet windows have all ended; None: none is in force."""
    ends = [_aware(w.end, house) for w in house.quiet if _aware(w.start, house) <= at < _aware(w.end, house)]
    return max(ends) if ends else None


def _aware(moment: datetime, house: House) -> datetime:
    return moment if moment.tzinfo else moment.replace(tzinfo=zone_of(house))


def accepted(
    house: House, rule: str, universes: tuple[UniverseId, ...], at: datetime, networks: tuple[int, ...] = ()
) -> Accepted | None:
    """Give the standing exception that covers a rule on all of some universes, until the end of its last day.

    `networks` are those of the universes, in step with them.
    """
    today = at.astimezone(zone_of(house)).date()
    for row in house.accepted:
        if row.rule != rule or (row.until is not None and today > row.until):
            continue
        places = zip(universes, networks or (None,) * len(universes), strict=True)
        if not row.universes or (universes and all(row.covers(universe, network) for universe, network in places)):
            return row
    return None


@dataclass(slots=True)
class PhaseKeeper:
    """The phase in force, and the change that waits for a person."""

    phase: Phase
    since_ns: int
    pending: Phase | None = None
    """A phase with lower severities that the timetable asks for."""
    handled: datetime | None = None
    """Due time of the timetable's change that was last taken."""

    @property
    def handled_wall_ns(self) -> int | None:
        """When the timetable's change was due that was taken last, wall-clock ns."""
        return None if self.handled is None else (self.handled - EPOCH) // timedelta(microseconds=1) * 1000

    def resume(self, memory: PhaseMemory, wall_offset_ns: int) -> None:
        """Continue with the phase of an earlier judgement: the next look finds what came due since."""
        self.phase, self.since_ns = Phase(memory.phase), memory.since_wall_ns - wall_offset_ns
        self.pending = Phase(memory.pending) if memory.pending else None
        due_ns = memory.timetable_wall_ns
        if due_ns is not None:
            self.handled = EPOCH + timedelta(microseconds=due_ns // 1000)

    def follow(
        self,
        house: House,
        now_ns: int,
        at: datetime,
        zone: tzinfo,
        closed_cleanly: Callable[[], bool],
        say_still_sent: Callable[[], str],
    ) -> str:
        """Follow the timetable. Returns a sentence if anything changed, else nothing.

        closed_cleanly, say_still_sent: asked only where a change depends on it, for it takes a look at the streams.
        """
        due = scheduled(house, at, zone)
        if due is not None and due[0] != self.handled:
            first, self.handled = self.handled is None, due[0]
            if first and DAY.index(due[1]) <= DAY.index(self.phase):
                return ""  # the day is past it already: the timetable asks from its next change on
            return self._ask(due[1], now_ns, closed_cleanly, say_still_sent)
        if self.pending is not None and closed_cleanly():
            return self.set(self.pending, now_ns, "all sources closed cleanly")
        return ""

    def take_timetable(self, house: House, at: datetime, zone: tzinfo) -> None:
        """Follow another timetable. What it had due before now is asked for only if the house is not past it."""
        due = scheduled(house, at, zone)
        if due is None or due[0] != self.handled:
            self.handled = None
        if due is None or due[1] is not self.pending:
            self.pending = None

    def _ask(
        self, phase: Phase, now_ns: int, closed_cleanly: Callable[[], bool], say_still_sent: Callable[[], str]
    ) -> str:
        if phase is self.phase:
            self.pending = None
            return ""
        if severity_rank(phase) >= severity_rank(self.phase) or closed_cleanly():
            return self.set(phase, now_ns, "by the timetable")
        self.pending = phase
        asked = f"The timetable asks for {phase}; it waits until all sources have closed or a person confirms."
        return f"{asked} {say_still_sent()}".rstrip()

    def set(self, phase: Phase, now_ns: int, why: str) -> str:
        """Change the phase; returns the sentence that says so."""
        before, self.phase, self.since_ns, self.pending = self.phase, phase, now_ns, None
        return f"Phase {phase} (was {before}), {why}."
