"""Exceptions hold for every rule, are listed, make nothing unready, and end when they say."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from slotwatch.house.schema import Accepted
from slotwatch.judge.orders import Accept, Resume, Unaccept
from slotwatch.snapshot import Severity, UniverseState
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import FROM_S
from tests.judge.stage import Desk, S, Stage, house_of
from tests.judge.test_every_rule import CASES
from tests.sweep import swept

BY_RULE = {case.rule: case for case in CASES}
WALL_NS = 1_800_000_000 * S
HOUR_NS = 3600 * S


@pytest.mark.parametrize("rule", swept(BY_RULE, every=4))
def test_every_rule_can_be_accepted(rule: str) -> None:
    case = BY_RULE[rule]
    house = replace(case.house, accepted=(Accepted(rule, "by design", until=date(2999, 1, 31)),))
    shown = replace(case, house=house).stage(case.over())
    (found,) = case.of(shown.run(FROM_S + case.opens_s[1] + 0.5))
    assert (found.severity, found.accepted, found.accepted_until) == (Severity.NOTE, "by design", "2999-01-31")
    assert found.accepted_by == ""


def two_lost() -> Stage:
    """Both universes of one desk end at 12 s."""
    return Stage(house_of((1, 2)), Desk("Desk A", (1, 2), to_s=12.0))


def accept_in_file(stage: Stage, *numbers: int) -> Stage:
    universes = tuple(UniverseId(Protocol.E131, number) for number in numbers)
    rows = tuple(Accepted(rule, "dark tonight", universes) for rule in ("universe-lost", "universe-missing"))
    return Stage(replace(house_of((1, 2)), accepted=rows), *stage.senders)


def test_of_universes_that_are_lost_together_only_those_accepted_are_notes() -> None:
    shown = accept_in_file(two_lost(), 2).run(30.0)
    found = {one.universes: (one.severity, one.accepted, one.cause) for one in shown.all}
    assert found == {
        ("e131/1",): (Severity.CRITICAL, "", "source-lost"),
        ("e131/2",): (Severity.NOTE, "dark tonight", "source-lost"),
    }
    ready = shown.judge.readiness(shown.model, shown.now_ns)
    assert [row.universes for row in ready.reasons] == [("e131/1",)]
    assert [(row.universes, row.reason, row.by) for row in ready.accepted] == [(("e131/2",), "dark tonight", None)]
    states = shown.judge.universe_states(shown.model, shown.now_ns)
    assert states.tolist() == [UniverseState.LOST, UniverseState.NOT_SENT]


@pytest.mark.parametrize(("rule", "severity"), [("universe-lost", Severity.NOTE), ("short-frame", Severity.CRITICAL)])
def test_what_is_accepted_as_lost_is_accepted_as_missing_after_a_restart(rule: str, severity: Severity) -> None:
    """A universe that nobody sends is `universe-lost` while it is known to have been sent, and `universe-missing` for a
    listener that began later (docs/rules.md): both are the one silence that a person accepted."""
    accepted = (Accepted(rule, "dark tonight", (UniverseId(Protocol.E131, 2),)),)
    shown = Stage(replace(house_of((1, 2)), accepted=accepted), Desk("Desk A", (1,))).run(30.0)
    (found,) = shown.all
    assert (found.rule, found.universes, found.severity) == ("universe-missing", ("e131/2",), severity)


def test_what_is_accepted_makes_the_house_not_unready() -> None:
    shown = accept_in_file(two_lost(), 1, 2).run(30.0)
    ready = shown.judge.readiness(shown.model, shown.now_ns)
    assert (ready.ready, ready.reasons) == (True, ())
    assert len(ready.accepted) == 1
    assert [(row.rule, row.until) for row in ready.exceptions] == [
        ("universe-lost", None),
        ("universe-missing", None),
    ]


def accept(shown: Stage, number: int, hours: float = 8.0) -> None:
    wall_ns = shown.now_ns + WALL_NS
    until_ns = wall_ns + round(hours * HOUR_NS)
    shown.judge.command(Accept(number, "no pixels tonight", "Ann", until_ns))


def test_one_made_from_an_incident_keeps_it_a_note_until_it_ends_or_is_taken_back() -> None:
    shown = two_lost().run(20.0)
    (found,) = shown.all
    accept(shown, found.id)
    (found,) = shown.run(22.0).all
    assert (found.severity, found.accepted, found.accepted_by) == (Severity.NOTE, "no pixels tonight", "Ann")
    assert "Accepted by Ann until " in found.timeline[-2].text or "Accepted by Ann until " in found.timeline[-1].text
    assert shown.judge.readiness(shown.model, shown.now_ns).ready
    shown.judge.command(Unaccept(found.id, "Bob"))
    (found,) = shown.run(24.0).all
    assert (found.severity, found.accepted) == (Severity.CRITICAL, "")
    accept(shown, found.id, hours=3.0 / 3600)
    assert shown.run(26.0).all[0].severity is Severity.NOTE
    (found,) = shown.run(29.0).all
    assert (found.severity, found.accepted, found.id) == (Severity.CRITICAL, "", 1), "it ended by itself"
    assert shown.judge.exceptions_in_force == ()


def test_one_made_from_an_incident_outlives_a_restart() -> None:
    shown = two_lost().run(20.0)
    accept(shown, shown.all[0].id)
    made = shown.judge.exceptions_in_force
    after = two_lost()
    after.judge.command(Resume(next_id=2, exceptions=made))
    (found,) = after.run(20.0).all
    assert (found.severity, found.accepted) == (Severity.NOTE, "no pixels tonight")


def test_one_made_right_after_a_restart_shows_at_once_on_what_is_not_found_anew_yet() -> None:
    before = two_lost().run(20.0).all[0]
    after = Stage(house_of((1, 2)))
    after.judge.command(Resume(next_id=2, incidents=(before,)))
    after.run(1.0)
    accept(after, before.id)
    assert after.all[0].accepted == "no pixels tonight"


def test_one_of_a_rule_without_universes_holds_for_its_sources() -> None:
    case = BY_RULE["malformed-packets"]
    shown = case.stage(case.over()).run(case.end_s - 8.0)
    (found,) = case.of(shown)
    accept(shown, found.id)
    (made,) = shown.judge.exceptions_in_force
    assert made.universes == ()
    (found,) = case.of(shown.run(case.end_s - 5.0))
    assert found.accepted == "no pixels tonight"


def test_an_exception_needs_a_reason_a_name_and_an_end_to_come() -> None:
    shown = two_lost().run(20.0)
    now_ns = shown.now_ns + WALL_NS
    for reason, by, until_ns in (("", "Ann", now_ns + S), ("x", " ", now_ns + S), ("x", "Ann", now_ns - S)):
        with pytest.raises(ValueError, match="an exception"):
            shown.judge.command(Accept(1, reason, by, until_ns))
    for order in (Accept(99, "x", "y", now_ns + S), Unaccept(1)):
        with pytest.raises(ValueError, match="incident"):
            shown.judge.command(order)
    assert isinstance(shown.judge.exceptions_in_force, tuple)
