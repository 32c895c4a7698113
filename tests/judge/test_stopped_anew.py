"""What stops again while the rest of its loss is still away, or only just back, is the same incident."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.house.schema import DeclaredSource, House
from tests.judge.stage import START_NS, Desk, Stage, house_of, still

MAIN = Desk("Main desk", (1, 2), "10.0.0.1", 1)
TOWER = Desk("Tower", (3,), "10.0.0.3", 3)
LOSSES = ("universe-lost", "source-absent")


def losses(stage: Stage) -> list[tuple[int, str]]:
    return [(one.id, one.rule) for one in stage.open if one.rule in LOSSES]


def test_a_universe_that_came_back_and_stopped_again_stays_in_the_incident_of_the_others() -> None:
    one, two = replace(MAIN, universes=(1,), to_s=20.0), replace(MAIN, universes=(2,), to_s=20.0)
    again = replace(MAIN, universes=(2,), from_s=24.0, to_s=27.0)
    stage = Stage(house_of((1, 2, 3)), one, two, again, TOWER).run(31.0)
    assert losses(stage) == [(1, "universe-lost")]
    assert "e131/1 and e131/2" in stage.only().summary


def test_a_universe_that_stops_again_just_after_all_were_back_by_another_cause_is_another_incident() -> None:
    one = replace(MAIN, universes=(1,), to_s=20.0), replace(MAIN, universes=(1,), from_s=24.0)
    two = replace(MAIN, universes=(2,), to_s=20.0), replace(MAIN, universes=(2,), from_s=24.0, to_s=28.0)
    stage = Stage(house_of((1, 2, 3)), *one, *two, TOWER).run(32.0)
    first, found = sorted(stage.all, key=lambda one: one.id)
    # What is back of the first is watched beside the second.
    assert first.closed_ns is None and first.returned_ns is not None
    assert first.summary.startswith("Universe e131/1 back since")
    stage.run(36.0)
    first, found = sorted(stage.all, key=lambda one: one.id)
    assert first.universes == ("e131/1", "e131/2") and first.closed_ns is not None
    assert first.summary.startswith("Universes e131/1 and e131/2 lost") and "It lasted 4.0 s" in first.summary
    assert found.summary.startswith("Universe e131/2 lost") and "went completely silent" not in found.summary
    assert (first.cause, found.cause) == ("source-lost", "path-or-sender")
    assert found.began_ns > START_NS + round(27.9e9)


def test_a_main_that_was_cut_before_its_backup_restarted_is_one_incident_after_it() -> None:
    house: House = house_of(
        (1, 2, 3),
        sources=(
            DeclaredSource("main desk", cid=MAIN.cid),
            DeclaredSource("spare desk", cid=bytes([2]) * 16, role="backup", priority=90),
        ),
        by=("main desk", "spare desk"),
    )
    rests = [
        Desk("Main desk", (number,), "10.0.0.1", 1, levels=still(), rests=True, to_s=19.0, phase_s=0.4 * number)
        for number in (1, 2, 3)
    ]
    spare = Desk("Spare desk", (1, 2, 3), "10.0.0.2", 2, 90, levels=still(), rests=True)
    for gone_s in (20.5, 20.9, 21.3, 21.7):
        back = replace(spare, from_s=gone_s + 3.5)
        stage = Stage(house, *rests, replace(spare, to_s=gone_s, terminate=True), back).run(32.0)
        assert stage.rule("source-absent").universes == ("e131/1", "e131/2", "e131/3"), gone_s


def test_a_source_that_dies_again_is_judged_by_what_came_since_it_was_back() -> None:
    """Its discovery list between two silences says nothing of the second one."""
    lives = [replace(MAIN, to_s=20.2, discovery=True), replace(MAIN, from_s=23.6, to_s=26.0, discovery=True)]
    stage = Stage(house_of((1, 2, 3)), *lives, TOWER).run(29.5)
    found = stage.only()
    assert (found.rule, found.cause, found.universes) == ("universe-lost", "source-lost", ("e131/1", "e131/2"))
    assert "its machine is alive" not in found.summary and "discovery list" not in " ".join(found.evidence)
