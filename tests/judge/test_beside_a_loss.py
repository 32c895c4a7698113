"""What goes on beside a loss, or after it, is reported as soon as no window counts the loss any more.

The windows of the rules are at most 10 s long (docs/rules.md); what is expected is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource
from tests.judge.stage import START_NS, Desk, S, Stage, house_of, moving, opened_after_s

TOWER = Desk("Tower", (9,), "10.0.0.9", 9)


def lossy(gone_s: float, back_s: float, *, every: int) -> Desk:
    """A way that is cut for a time, and drops one frame in `every` from then on; 0: none."""

    def drops(universe: int, index: int, t: float) -> bool:
        return gone_s <= t < back_s or bool(every and t > back_s and index % every == 0)

    return Desk("Desk A", (1,), levels=moving(), drop=drops)


@pytest.mark.parametrize("every", [3, 5])
@pytest.mark.parametrize("away_s", [3.0, 8.0])
def test_frames_that_go_on_missing_after_a_loss_are_reported_within_its_watch_and_a_few_seconds(
    every: int, away_s: float
) -> None:
    back_s = 20.0 + away_s
    stage = Stage(house_of((1, 9)), lossy(20.0, back_s, every=every), TOWER).run(back_s + 16.0)
    found = stage.rule("packet-loss")
    assert found.closed_ns is None and back_s + 10.0 < opened_after_s(found) < back_s + 14.0


@pytest.mark.parametrize("away_s", [3.0, 8.0])
def test_frames_that_were_missing_in_a_loss_alone_are_no_incident_after_it(away_s: float) -> None:
    stage = Stage(house_of((1, 9)), lossy(20.0, 20.0 + away_s, every=0), TOWER).run(50.0 + away_s)
    assert [one.rule for one in stage.all] == ["universe-lost"]


@pytest.mark.parametrize("lights", [(9,), (9, 10)])
@pytest.mark.parametrize("back_s", [None, 38.0])
def test_a_backup_that_takes_over_is_no_second_incident_where_the_main_died_with_others(
    lights: tuple[int, ...], back_s: float | None
) -> None:
    """The switch of the main desk and of the house lights fails: universes are lost, and the backup has the others."""
    house = house_of(
        (1, 2, *lights),
        sources=(
            DeclaredSource("main desk", cid=bytes([1]) * 16),
            DeclaredSource("spare desk", cid=bytes([2]) * 16, role="backup", priority=90),
            DeclaredSource("lights", cid=bytes([9]) * 16),
        ),
    )
    shares = {1: ("main desk", "spare desk"), 2: ("main desk", "spare desk")}
    universes = tuple(replace(one, sources=shares.get(one.id.number, ("lights",))) for one in house.universes)
    dead = [Desk("Main desk", (1, 2), "10.0.0.1", 1), Desk("Lights", lights, "10.0.0.9", 9)]
    again = [replace(one, from_s=back_s) for one in dead] if back_s else []
    spare = Desk("Spare desk", (1, 2), "10.0.0.2", 2, priority=90)
    stage = Stage(
        replace(house, universes=universes), *(replace(one, to_s=20.0) for one in dead), *again, spare
    ).run(36.0 if back_s is None else 52.0)  # fmt: skip
    assert stage.only().cause == "source-lost"
    assert ("backup-in-control", ("e131/1", "e131/2")) in stage.only().explains


@pytest.mark.parametrize("raised_s", [5.0, 15.0])
def test_a_backup_above_its_priority_is_one_incident_while_the_main_source_is_silent_and_back(raised_s: float) -> None:
    """The main desk is silent from 10 to 30 s; the backup desk sends above its declared priority until 45 s."""
    sources = (
        DeclaredSource("main desk", cid=bytes([1]) * 16, priority=100),
        DeclaredSource("spare desk", cid=bytes([2]) * 16, role="backup", priority=90),
    )
    house = house_of((1,), sources=sources, by=("main desk", "spare desk"))
    main, spare = Desk("Main desk", (1,), "10.0.0.1", 1), Desk("Spare desk", (1,), "10.0.0.2", 2, 90)

    def since(t: float) -> Callable[[int, int], int]:
        return lambda universe, index: index + round(t * 40)

    senders = [
        replace(main, to_s=10.0),
        replace(main, from_s=30.0, sequence_of=since(30.0)),
        replace(spare, to_s=raised_s),
        replace(spare, priority=150, from_s=raised_s, to_s=45.0, sequence_of=since(raised_s)),
        replace(spare, from_s=45.0, sequence_of=since(45.0)),
    ]
    stage = Stage(house, *senders)
    stage.run(29.0)
    assert [(one.rule, one.cause) for one in stage.open if one.sources == ("spare desk",)] == [
        ("unexpected-source", "priority")
    ]
    stage.run(60.0)
    assert sorted(one.sources for one in stage.all) == [("main desk",), ("spare desk",)]
    of_spare = next(one for one in stage.all if one.sources == ("spare desk",))
    assert of_spare.closed_ns is not None and of_spare.closed_ns > START_NS + 45 * S


MAIN = DeclaredSource("main desk", address="10.0.0.1", priority=100)
SPARE = DeclaredSource("spare desk", address="10.0.0.2", role="backup", priority=90)
HOUSE_OF_TWO = house_of((1, 2), sources=(MAIN, SPARE), by=("main desk", "spare desk"))


def test_backup_whose_numbers_stand_still_does_not_simply_carry_on() -> None:
    """Conforming receivers discard the frames of a number that does not change (ANSI E1.31-2018 6.7.2)."""
    main = Desk("Desk A", (1, 2), MAIN.address, to_s=20.0)
    spare = Desk("Desk B", (1, 2), SPARE.address, 2, 90, sequence_of=lambda u, i: i if u == 1 or i < 600 else 88)
    shown = Stage(HOUSE_OF_TWO, main, spare, TOWER).run(26.0)
    absent = shown.rule("source-absent")
    assert absent.summary.endswith(
        "carries on, but on universe e131/2 with sequence numbers that receivers may discard."
    )
    assert absent.still_working[0] == (
        'backup "spare desk" (10.0.0.2) is sending universes e131/1 and e131/2, '
        "but on universe e131/2 with sequence numbers that receivers may discard"
    )


def test_backup_that_is_silent_says_so_once_its_main_source_has_failed_too() -> None:
    main = Desk("Desk A", (1, 2), MAIN.address, drop=lambda universe, index, t: universe == 2 and t > 24.0)
    spare = Desk("Desk B", (1, 2), SPARE.address, 2, 90, to_s=16.0)
    stage = Stage(HOUSE_OF_TWO, main, spare, TOWER).run(22.0)
    assert stage.rule("backup-absent").summary.endswith("Nothing takes over if the main source fails.")
    stage.run(32.0)
    assert stage.rule("backup-absent").summary.endswith("Nobody else sends universe e131/2 now.")


def test_stage_is_not_said_to_hold_its_last_look_where_another_source_carries_on() -> None:
    main = Desk("Desk A", (1, 2), MAIN.address)
    spare = Desk("Desk B", (1, 2), SPARE.address, 2, 90, to_s=16.0, terminate=True)
    absent = Stage(HOUSE_OF_TWO, main, spare, TOWER).run(20.0).rule("backup-absent")
    assert "Look at the stage: do the lights still follow?" in absent.next_checks
    assert not any("last look" in check for check in absent.next_checks)


def test_path_that_several_sources_shared_is_said_in_the_past_once_one_of_them_is_left() -> None:
    """One that is named alone does not show by itself that the path is shared."""

    def drops(until_s: float) -> Callable[[int, int, float], bool]:
        return lambda universe, index, t: 10.0 <= t < until_s and index % 4 == 0

    first = Desk("Desk A", (1,), levels=moving(), drop=drops(18.0))
    second = Desk("Desk B", (2,), "10.0.0.2", 2, levels=moving(), drop=drops(60.0))
    stage = Stage(house_of((1, 2)), first, second).run(16.0)
    assert "Several sources show it at once" in stage.rule("packet-loss").summary
    stage.run(34.0)
    summary = stage.rule("packet-loss").summary
    assert summary.startswith('Universe e131/2 from "Desk B" (10.0.0.2)')
    assert "Several sources showed it at once" in summary


def test_source_that_is_lost_by_the_timeout_is_not_said_to_work_beside_another_loss() -> None:
    """At rest it sends every 3.4 s, and E1.31-2018 6.7.1 takes 2.5 s without a frame for a loss."""
    dead = Desk("Desk A", (1,), to_s=20.0)
    lights = Desk("Lights", (2,), "10.0.0.2", 2, levels=lambda t: moving()(min(t, 22.0)), rests=True, keep_alive_s=3.4)
    stage = Stage(house_of((1, 2, 9)), dead, lights, TOWER)
    looks = 0
    for step in range(220, 360):
        stage.run(step / 10)
        lost = {one.universes: one for one in stage.open if one.returned_ns is None}
        if lost.keys() >= {("e131/1",), ("e131/2",)}:
            looks += 1
            assert not any("e131/2" in line for one in lost.values() for line in one.still_working)
    assert looks > 10
