"""A desk that sends a universe under another number while its backup carries on with the right one, and goes back.

That a wrong number is a mistake at the desk, and that a backup hides it: common practice, no source. Loss after 2.5 s:
ANSI E1.31-2018 6.7.1.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.judge.context import RuleContext
from tests.judge.cases import BY, A, B, desk
from tests.judge.stage import Desk, Stage, house_of, moving

WRONG_S, RIGHT_S = 20.0, 60.0
MAIN, SPARE = replace(A, address="10.0.0.1"), replace(B, address="10.0.0.2")
HOUSE = house_of((1, 2, 3, 4), sources=(MAIN, SPARE), by=BY)
HEARD = 'Since 08:17:00 "main desk" (10.0.0.1) has sent universe e131/9, which the house file does not declare.'


def sends(universes: tuple[int, ...], number: int = 1, **more: object) -> Desk:
    """To this computer alone, so that no switch is said to flood."""
    priority = 100 - 10 * (number == 2)
    return desk(number, universes, hz=40.0, levels=moving(), priority=priority, dst=lambda _: "10.0.0.200", **more)


def wrong_number(*, right_s: float = 1e9, from_s: float = WRONG_S, backup: bool = True, number: int = 9) -> list[Desk]:
    spare = [sends((1, 2, 3, 4), 2)] if backup else []
    return [
        *spare,
        sends((1, 2, 4)),
        sends((3,), to_s=WRONG_S),
        sends((number,), from_s=from_s, to_s=right_s),
        sends((3,), from_s=right_s),
    ]


def test_says_that_another_number_began_as_the_source_stopped_though_the_backup_carries_on() -> None:
    shown = Stage(HOUSE, *wrong_number()).run(40.0)
    absent, new = shown.rule("source-absent"), shown.rule("undeclared-universe")
    assert absent.summary.endswith(f'"spare desk" (10.0.0.2) carries on. {HEARD}'), absent.summary
    assert absent.evidence[0] == HEARD
    assert absent.also_possible[0] == "the source sends the same levels under another number now"
    assert new.summary.endswith("Its source stopped universe e131/3 at 08:16:59: that data may have moved.")
    assert new.cause == "numbered-off"
    assert new.next_checks[0] == "Compare how the sender's display numbers universes with the number heard here."


def test_universes_of_one_source_that_move_are_one_incident_though_it_sent_another_before() -> None:
    """One wrong setting at a desk is one fault, also while each universe is described at its own moment."""
    before = sends((77,))
    moved = sends((3,), to_s=WRONG_S), sends((9,), from_s=WRONG_S), sends((4,), to_s=22.0), sends((10,), from_s=22.0)
    shown = Stage(HOUSE, sends((1, 2)), *moved, before)
    for second in range(10, 40):
        shown.run(float(second))
        assert sum(one.rule == "undeclared-universe" for one in shown.open) == 1, second
    new = shown.rule("undeclared-universe")
    assert new.universes == ("e131/9", "e131/10", "e131/77")
    assert new.cause == "numbered-off"


def test_universes_of_a_stranger_that_are_one_off_are_one_incident_that_names_each() -> None:
    """Counting from 0 or from 1 moves all numbers of a sender by one: common practice, no source."""
    house = house_of((11, 31), sources=(MAIN,), by=BY[:1])
    stranger = desk(3, (12, 32), from_s=WRONG_S, hz=40.0, levels=moving(), dst=lambda _: "10.0.0.200")
    shown = Stage(house, sends((11, 31), to_s=WRONG_S), stranger).run(40.0)
    (new,) = (one for one in shown.all if one.rule == "undeclared-universe")
    assert new.universes == ("e131/12", "e131/32")
    assert new.summary.endswith("e131/12 may be meant for e131/11, which is silent."), new.summary
    assert "e131/32 may be meant for e131/31, which is silent." in new.evidence


ALL_ONE_OFF = '"main desk" (10.0.0.1) sends universes e131/2 to e131/4: all its numbers may be one too high.'


def test_a_desk_of_which_all_numbers_are_one_off_is_said_to_be() -> None:
    """One end counts from 0 and the other from 1: common practice, no source. The middle ones look right."""
    house = house_of((1, 2, 3), sources=(MAIN,), by=BY[:1])
    shown = Stage(house, desk(1, (2, 3, 4), hz=40.0, levels=moving())).run(20.0)
    new, missing = shown.rule("undeclared-universe"), shown.rule("universe-missing")
    assert (new.cause, new.summary.endswith(ALL_ONE_OFF)) == ("numbered-off", True), new.summary
    assert missing.summary.endswith(ALL_ONE_OFF), missing.summary


def test_numbers_are_not_called_off_where_the_first_one_was_heard_or_is_another_desks() -> None:
    desks = sends((2, 3, 4)), sends((1,), to_s=WRONG_S)
    assert "too high" not in Stage(house_of((1, 2, 3)), *desks).run(40.0).rule("undeclared-universe").summary
    house = house_of((1, 2, 3), sources=(MAIN, SPARE), by=BY[:1])
    first = replace(house.universes[0], sources=("spare desk",))
    house = replace(house, universes=(first, *house.universes[1:]))
    assert "too high" not in Stage(house, sends((2, 3, 4))).run(20.0).rule("undeclared-universe").summary


@pytest.mark.parametrize("backup", [True, False])
def test_what_went_back_to_its_right_number_is_no_loss(backup: bool) -> None:
    shown = Stage(HOUSE, *wrong_number(right_s=RIGHT_S, backup=backup)).run(90.0)
    lost = [one for one in shown.all if "e131/9" in one.universes and one.rule == "universe-lost"]
    assert not lost, lost[0].summary
    assert not [one.summary for one in shown.open if one.rule != "backup-absent"]


def test_a_backup_that_sends_another_number_is_said_to() -> None:
    spare = [sends((1, 2, 4), 2), sends((3,), 2, to_s=WRONG_S), sends((9,), 2, from_s=WRONG_S)]
    shown = Stage(HOUSE, sends((1, 2, 3, 4)), *spare).run(40.0)
    said = shown.rule("backup-absent").summary
    assert said.endswith(HEARD.replace('"main desk" (10.0.0.1)', '"spare desk" (10.0.0.2)')), said


def test_what_began_long_after_says_nothing_of_a_universe_that_the_backup_carries() -> None:
    """A desk that left a universe to another source and sends something else hours later did not move it."""
    desks = (replace(one, hz=4.0) for one in wrong_number(from_s=WRONG_S + 601.0))
    shown = Stage(HOUSE, *desks).run(WRONG_S + 620.0)
    assert "e131/9" not in shown.rule("source-absent").summary
    assert "may have moved" not in shown.rule("undeclared-universe").summary


def test_what_a_stranger_begins_then_has_not_moved() -> None:
    shown = Stage(HOUSE, *wrong_number()[:3], desk(3, (9,), hz=40.0, levels=moving(), from_s=WRONG_S)).run(40.0)
    assert "e131/9" not in shown.rule("source-absent").summary
    assert "may have moved" not in shown.rule("undeclared-universe").summary


def test_a_desk_that_restarts_without_its_undeclared_universe_has_lost_it() -> None:
    """Its declared universes begin again too, for another reason: more of them than it ended for good."""
    again = [sends((1, 2, 3, 4), to_s=20.0), sends((9,), to_s=20.0), sends((1, 2, 3, 4), from_s=26.0)]
    shown = Stage(HOUSE, *again).run(40.0)
    assert any("e131/9" in one.universes for one in shown.open if one.rule == "universe-lost")


def test_what_a_desk_began_costs_no_look_at_each_stream_for_each_universe_that_it_ended(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A house of thousands whose desk restarts without some undeclared universes is judged ten times a second too."""
    asked, name_of = list[int](), RuleContext.source_name

    def counted(ctx: RuleContext, source: int) -> str:
        asked.append(source)
        return name_of(ctx, source)

    def named_in_a_second(declared: int) -> int:
        own, ended = tuple(range(1, declared + 1)), tuple(range(900, 910))
        desks = sends(own, to_s=8.0), sends(ended, to_s=8.0), sends(own, from_s=9.0)
        shown = Stage(house_of(own, sources=(MAIN,)), *(replace(one, hz=2.0) for one in desks)).run(12.0)
        asked.clear()
        shown.run(13.0)
        assert {"e131/900", "e131/909"} <= {name for one in shown.open for name in one.universes}
        return len(asked)

    monkeypatch.setattr(RuleContext, "source_name", counted)
    assert named_in_a_second(120) < 2 * named_in_a_second(30)
