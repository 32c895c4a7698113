"""Sources that are absent: an absence ends when the source comes, and by nothing else; it hides no other fault.

What a person expects to read is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.house.schema import House, Network
from slotwatch.snapshot import UniverseState
from tests.judge.stage import START_NS, Desk, S, Stage, house_of
from tests.judge.test_earlier import MAIN, SOURCES, SPARE, restarted, two_desks


def by_rule(stage: Stage) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for one in stage.all:
        found.setdefault(one.rule, []).append(one.summary)
    return found


def test_a_main_that_is_absent_is_not_back_because_its_backup_dies_too() -> None:
    stage = Stage(two_desks(), replace(MAIN, to_s=20.0), replace(SPARE, to_s=30.0), replace(SPARE, from_s=40.0))
    absent = stage.run(38.0).rule("source-absent")
    assert absent.returned_ns is None and absent.closed_ns is None
    assert absent.summary.endswith("Nobody else sends universes e131/1 and e131/2.")
    assert [one.rule for one in stage.open] == ["source-absent", "universe-lost"]
    stage.run(55.0)
    assert [(one.id, one.rule) for one in stage.open] == [(absent.id, "source-absent")], "one incident all along"
    assert stage.rule("source-absent").summary.endswith('"spare desk" (10.0.0.2) carries on.')
    assert stage.rule("source-absent").flaps == 0


def test_an_absence_says_for_how_long_no_levels_came_before_another_source_carried_on() -> None:
    """It is the record of a dark stage, so it is still there once the loss is over for long."""
    late = Stage(two_desks(), replace(MAIN, to_s=20.0), replace(SPARE, from_s=30.0)).run(60.0)
    first = late.rule("source-absent").evidence[0]
    assert first.startswith("No levels came on universes e131/1 and e131/2 from ")
    assert first.endswith(", for 10.0 s.")
    mains = replace(MAIN, to_s=20.0), replace(MAIN, from_s=45.0)
    spares = replace(SPARE, to_s=35.0), replace(SPARE, from_s=48.0)
    ended = Stage(two_desks(), *mains, *spares).run(75.0)
    (record,) = [one for one in ended.all if one.rule == "backup-absent"]
    assert record.closed_ns is not None
    assert record.evidence[0].startswith("No levels came on universes e131/1 and e131/2 from ")
    assert record.evidence[0].endswith(", for 10.0 s.")
    quick = Stage(two_desks(), replace(MAIN, to_s=20.0), SPARE).run(60.0).rule("source-absent")
    assert not any("No levels came" in line for line in quick.evidence)


def test_universes_that_came_back_apart_are_each_said_to_be_without_levels_for_their_own_time() -> None:
    late = Stage(
        two_desks(),
        replace(MAIN, to_s=20.0),
        replace(SPARE, universes=(1,), from_s=24.0),
        replace(SPARE, universes=(2,), from_s=30.0),
    ).run(60.0)
    first = late.rule("source-absent").evidence[0]
    one, _, other = first.partition(", and on ")
    assert one.startswith("No levels came on universe e131/1 from ") and one.endswith(", for 4.0 s")
    assert other.startswith("universe e131/2 from ") and other.endswith(", for 10.0 s.")


def test_the_time_without_levels_is_still_said_after_a_restart_of_this_listener() -> None:
    before = Stage(two_desks(), replace(MAIN, to_s=20.0), replace(SPARE, from_s=30.0)).run(60.0)
    said = before.rule("source-absent").evidence[0]
    assert said.startswith("No levels came on ")
    after = restarted(two_desks(), before.open, 60.0, 2.0, SPARE, replace(MAIN, from_s=40.0)).run(30.0)
    assert after.rule("source-absent").evidence.count(said) == 1
    ended = after.run(60.0).rule("source-absent")
    assert ended.closed_ns is not None
    assert ended.evidence.count(said) == 1


def test_a_backup_that_never_came_has_not_come_because_its_universe_is_lost() -> None:
    stage = Stage(two_desks(), replace(MAIN, to_s=20.0)).run(35.0)
    absent = stage.rule("backup-absent")
    assert absent.returned_ns is None
    assert not any("over since" in text or "back on" in text for text in by_rule(stage)["backup-absent"])


@pytest.mark.parametrize("from_s", [15.01, 15.06])
def test_a_backup_that_comes_first_never_failed_to_come(from_s: float) -> None:
    """Universes that nobody sent until then have data from that very moment."""
    stage = Stage(two_desks(), replace(SPARE, from_s=from_s)).run(20.0)
    assert "backup-absent" not in by_rule(stage)


def test_a_main_that_only_sends_preview_data_is_heard_and_absent() -> None:
    """ANSI E1.31-2018 6.2.6: preview data (bit 7) is not for live output, so its backup carries the show."""
    absent = Stage(two_desks(), replace(MAIN, options=0x80), SPARE).run(15.0).rule("source-absent")
    assert "It is running, and its packets come there with preview data" in absent.summary
    assert "not been heard" not in absent.summary
    assert absent.cause == "universe-withdrawn"


def test_a_main_that_never_sent_one_of_its_universes_is_not_said_to_be_unheard() -> None:
    absent = Stage(two_desks(), replace(MAIN, universes=(2,)), SPARE).run(15.0).rule("source-absent")
    assert absent.universes == ("e131/1",)
    assert "It is running, and has sent nothing there since this listener started." in absent.summary


def test_a_main_that_stopped_is_not_said_to_run_where_it_never_came() -> None:
    """It is said once 10 s have passed without a packet of it anywhere."""
    shown = Stage(two_desks(), replace(MAIN, universes=(2,), to_s=20.0), SPARE)
    assert "It is running, and has sent nothing there" in shown.run(19.0).rule("source-absent").summary
    absent = next(one for one in shown.run(32.0).all if one.universes == ("e131/1",))
    assert "It has sent no levels there since this listener started, and no data anywhere since " in absent.summary


def test_a_main_that_stopped_before_it_was_missed_elsewhere_was_heard() -> None:
    shown = Stage(two_desks(), replace(MAIN, universes=(2,), to_s=6.0), SPARE).run(15.0)
    absent = next(one for one in shown.all if one.universes == ("e131/1",))
    assert "not been heard" not in absent.summary and "and no data anywhere since " in absent.summary


def test_a_main_that_comes_late_on_another_universe_is_no_longer_said_to_be_unheard() -> None:
    shown = Stage(two_desks(), replace(MAIN, universes=(2,), from_s=20.0), SPARE)
    assert "It has not been heard" in shown.run(19.0).rule("source-absent").summary
    absent = shown.run(25.0).rule("source-absent")
    assert "It is running, and has sent nothing there since this listener started." in absent.summary


def test_a_main_that_sends_preview_data_on_one_universe_is_not_said_to_send_it_on_both() -> None:
    """ANSI E1.31-2018 6.2.6: preview data (bit 7) is not for live output. Nothing comes on the other universe."""
    absent = Stage(two_desks(), replace(MAIN, universes=(1,), options=0x80), SPARE).run(15.0).rule("source-absent")
    assert absent.universes == ("e131/1", "e131/2") and absent.cause == "universe-withdrawn"
    assert "and its packets come on universe e131/1 with preview data: " in absent.summary
    assert "Nothing of it came on universe e131/2 since this listener started." in absent.summary


def test_a_main_whose_preview_data_has_ended_is_not_said_to_have_sent_nothing() -> None:
    other = replace(MAIN, universes=(3,))
    house = house_of((1, 2, 3), sources=SOURCES, by=("main desk", "spare desk"))
    shown = Stage(house, replace(MAIN, universes=(1, 2), options=0x80, to_s=6.0), other, SPARE)
    absent = shown.run(15.0).rule("source-absent")
    assert "sent nothing" not in absent.summary
    assert "and sent there only preview data, which holds no levels, until " in absent.summary


@pytest.mark.parametrize("to_s", [6.0, 16.0])
def test_a_main_that_sent_preview_data_there_and_stopped_is_not_said_to_have_sent_nothing(to_s: float) -> None:
    """ANSI E1.31-2018 6.2.6: preview data (bit 7) is not for live output. It came there, and holds no levels to use."""
    shown = Stage(two_desks(), replace(MAIN, universes=(1,), options=0x80, to_s=to_s), SPARE)
    absent = shown.run(to_s + 16.0).rule("source-absent")
    assert "sent nothing" not in absent.summary
    assert "It has sent no levels there since this listener started, and no data anywhere since " in absent.summary


def both_networks() -> House:
    house = two_desks()
    universes = tuple(replace(one, networks=(0, 1)) for one in house.universes)
    return replace(house, universes=universes, networks=(Network("A", "eth1"), Network("B", "eth2")))


def test_a_backup_that_never_came_is_absent_on_both_networks() -> None:
    main = (replace(MAIN, network=0), replace(MAIN, network=1, address="10.1.0.1"))
    absent = Stage(both_networks(), *main).run(15.0).rule("backup-absent")
    assert absent.universes == ("e131/1@A", "e131/1@B", "e131/2@A", "e131/2@B")


def test_the_one_who_carries_on_is_named_while_the_other_network_is_dark() -> None:
    """The main desk dies, then network B falls silent: on A the backup still has the show."""
    spare = (SPARE, replace(SPARE, network=1, address="10.1.0.2", to_s=26.0))
    main = (replace(MAIN, to_s=20.0), replace(MAIN, network=1, address="10.1.0.1", to_s=20.0))
    absent = Stage(both_networks(), *main, *spare).run(35.0).rule("source-absent")
    assert "e131/1@B" in absent.universes
    assert absent.summary.endswith('"spare desk" (10.0.0.2) carries on, on network A alone.')


def test_the_backup_is_named_as_the_one_who_carries_on_where_a_lead_of_the_main_desk_is_out() -> None:
    """On A nobody but the backup sends it; that the main desk continues on B is said with the lead."""
    spare = (SPARE, replace(SPARE, network=1, address="10.1.0.2"))
    main = (replace(MAIN, to_s=20.0), replace(MAIN, network=1, address="10.1.0.1"))
    absent = Stage(both_networks(), *main, *spare).run(35.0).rule("source-absent")
    assert "lead on network A down, network B continues" in absent.summary
    assert absent.summary.endswith('"spare desk" (10.0.0.2 and 10.1.0.2) carries on.'), absent.summary


def test_a_universe_that_moved_names_its_source_once_on_two_networks() -> None:
    def lead(network: int, universes: tuple[int, ...], **more: float) -> Desk:
        return replace(MAIN, universes=universes, network=network, address=f"10.{network}.0.1", **more)

    desks = [
        lead(network, one, **more)
        for network in (0, 1)
        for one, more in (((1,), {}), ((2,), {"to_s": 20.0}), ((77,), {"from_s": 20.0}))
    ]
    lost = Stage(both_networks(), *desks).run(30.0).rule("universe-lost")
    assert '"main desk" (10.0.0.1 and 10.1.0.1) has sent universe e131/77 on A and B, which' in lost.summary, (
        lost.summary
    )


def test_what_was_open_before_a_restart_makes_its_universes_faulty_and_the_house_unready_at_once() -> None:
    before = Stage(two_desks(), replace(MAIN, to_s=20.0), SPARE).run(30.0)
    after = restarted(two_desks(), before.open, 30.0, 2.0, SPARE).run(3.0)
    now_ns = START_NS + round(3.0 * S)
    states = after.judge.universe_states(after.model, now_ns)
    assert states.tolist() == [UniverseState.ON_BACKUP, UniverseState.ON_BACKUP]
    reasons = after.judge.readiness(after.model, now_ns).reasons
    assert [one.rule for one in reasons] == ["source-absent"]
