"""Standing exceptions: those of the house file, and those that a person made from an incident."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from slotwatch.judge import phases
from slotwatch.snapshot import Incident, MadeException

if TYPE_CHECKING:
    from slotwatch.judge.context import RuleContext

MOST = 512
"""Exceptions made from incidents that are held at once."""
COVERED_ALSO_BY = {"universe-missing": "universe-lost"}
"""A rule, and another one whose exceptions cover it too: a universe that is lost is a missing one after a restart."""


@dataclass(frozen=True, slots=True)
class AcceptedCase:
    """Why a case is accepted."""

    reason: str
    until: str = ""
    """A date of the house file, or an ISO 8601 time; empty: without end."""
    by: str = ""
    """Who made it from an incident; empty: the house file holds it."""


class Exceptions:
    """Exceptions made from incidents, by the incident's number."""

    def __init__(self) -> None:
        self._made: dict[int, MadeException] = {}

    def __bool__(self) -> bool:
        return bool(self._made)

    def make(self, found: Incident, reason: str, by: str, until_wall_ns: int, now_wall_ns: int) -> MadeException:
        """Accept an incident. ValueError with a sentence if that cannot be."""
        if not reason.strip() or not by.strip():
            raise ValueError("an exception needs a reason and your name")
        if until_wall_ns <= now_wall_ns:
            raise ValueError("an exception ends in the future")
        self._made.pop(found.id, None)
        if len(self._made) >= MOST:
            raise ValueError(f"{MOST} exceptions exist already; take one back, or write them into the house file")
        made = MadeException.of(found, " ".join(reason.split()), by.strip(), now_wall_ns, until_wall_ns)
        self._made[found.id] = made
        return made

    def take_back(self, number: int) -> MadeException:
        """Forget the exception made from an incident. ValueError if there is none."""
        if number not in self._made:
            raise ValueError(f"no exception was made from incident {number}")
        return self._made.pop(number)

    def resume(self, made: Iterable[MadeException]) -> None:
        """Take up what was made before. What this judgement was given since stays."""
        for one in made:
            if len(self._made) < MOST:
                self._made.setdefault(one.incident, one)

    def in_force(self, wall_ns: int) -> tuple[MadeException, ...]:
        """Those that have not ended. What has is forgotten."""
        self._made = {number: one for number, one in self._made.items() if one.until_wall_ns > wall_ns}
        return tuple(self._made.values())


def standing(
    ctx: RuleContext, rule: str, rows: tuple[int, ...], keys: frozenset[str], at: datetime
) -> AcceptedCase | None:
    """The exception that covers a rule on these rows of the universe table, from these sources (`source_key`)."""
    universes = tuple(ctx.universe_id(row) for row in rows)
    networks = tuple(int(ctx.universes.network[row]) for row in rows)
    rules = dict.fromkeys((rule, COVERED_ALSO_BY.get(rule, rule)))
    found = (phases.accepted(ctx.house, one, universes, at, networks) for one in rules)
    declared = next(filter(None, found), None)
    if declared is not None:
        return AcceptedCase(declared.reason, "" if declared.until is None else declared.until.isoformat())
    names = {ctx.universe_name(row) for row in rows}
    for made in ctx.exceptions:
        if made.rule not in rules:
            continue
        covered = bool(names) and names <= set(made.universes) if made.universes else keys <= set(made.sources)
        if covered and (made.universes or not names):
            return AcceptedCase(made.reason, made.until, made.by)
    return None
