"""A group that the listener's own switch has dropped from its table, beside one that only stopped.

IGMP-STD-MIB (RFC 2933, igmpCacheTable): a group is listed while a member of it is known. IEEE 802.1AB: the switch
announces itself on the port. What may be concluded: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.house.witnesses import DeclaredSwitch
from slotwatch.snapshot import Confidence
from slotwatch.wire.observation import PortSeen, SwitchSeen
from slotwatch.wire.switch import SwitchState, SwitchTables
from tests.judge.stage import START_NS, Desk, S, Stage, group_of, house_of

FOH = DeclaredSwitch("FOH", "10.0.0.250", "2c", "foh.snmp", 5)
ALL, WITHOUT_2 = (1, 2, 9), (1, 9)
STOPS_S = 20.0


def played(
    readings: dict[float, tuple[int, ...]], *, own: bool = True, cut: bool = False, restarts: bool = False
) -> Stage:
    """Desk A's universe 2 stops at 20 s. readings: at which times the table is read, and the groups in it."""
    house = replace(house_of(ALL), switches=(FOH,))
    desks = [Desk("Desk A", (1,), discovery=False), Desk("Desk A", (2,), to_s=STOPS_S)]
    stage = Stage(house, *desks, Desk("Tower", (9,), "10.0.0.9", 9))
    for t_s in range(2, 120, 30):
        stage.see(t_s, PortSeen(START_NS + t_s * S, 0, "chassis", "7", 120, "", "FOH" if own else "Grid"))
    for t_s, numbers in readings.items():
        tables = SwitchTables("chassis" if own else "", groups=tuple((group_of(n), 1) for n in numbers), cut=cut)
        ticks = round((t_s - STOPS_S if restarts and t_s > STOPS_S else 1000 + t_s) * 100)
        seen = SwitchSeen(START_NS + round(t_s * S), "FOH", True, "", SwitchState("FOH", ticks, ticks, (), tables))
        stage.see(t_s, seen)
    return stage


def test_a_group_that_the_switch_lists_no_longer_was_forgotten() -> None:
    stage = played({5.0: ALL, 65.0: WITHOUT_2}).run(64.0)
    assert stage.only().cause == "path-or-sender"
    lost = stage.run(68.0).only()
    assert (lost.cause, lost.confidence) == ("multicast-lost", Confidence.MEDIUM)
    assert "Switch FOH no longer lists this group, which this listener still asks for." in lost.summary
    assert "Switch FOH listed 239.255.0.2 in its group table at 08:16:45, and no longer at 08:17:45" in lost.evidence[0]
    assert stage.run(110.0).only().cause == "multicast-lost", "it stays so"


@pytest.mark.parametrize(
    "stage",
    [
        played({5.0: ALL, 65.0: ALL}),
        played({5.0: WITHOUT_2, 65.0: WITHOUT_2}),
        played({5.0: ALL, 15.0: WITHOUT_2, 75.0: WITHOUT_2}),
        played({5.0: ALL, 65.0: ()}),
        played({5.0: ALL, 65.0: WITHOUT_2}, own=False),
        played({5.0: ALL, 65.0: WITHOUT_2}, cut=True),
        played({5.0: ALL, 65.0: WITHOUT_2}, restarts=True),
        played({65.0: WITHOUT_2}),
    ],
    ids=[
        "it still lists it",
        "it never listed it",
        "it had dropped it while frames came",
        "an empty table",
        "another switch",
        "a table that is cut",
        "it restarted",
        "one reading",
    ],
)
def test_a_table_that_shows_no_more_is_no_evidence(stage: Stage) -> None:
    lost = stage.run(80.0).rule("universe-lost")
    assert lost.cause == "path-or-sender"
    assert not any("group table at" in line for line in lost.evidence)


def of_two_desks(readings: dict[float, tuple[int, ...]]) -> Stage:
    """Universe 2 of Desk A and universe 4 of Desk B stop at 20 s, where no querier is heard."""
    desks = [
        Desk("Desk A", (1,), discovery=False),
        Desk("Desk A", (2,), to_s=STOPS_S, discovery=False),
        Desk("Desk B", (3,), "10.0.0.9", 9, discovery=False),
        Desk("Desk B", (4,), "10.0.0.9", 9, to_s=STOPS_S, discovery=False),
    ]
    stage = Stage(replace(house_of((1, 2, 3, 4)), switches=(FOH,)), *desks)
    for t_s in range(2, 120, 30):
        stage.see(t_s, PortSeen(START_NS + t_s * S, 0, "chassis", "7", 120, "", "FOH"))
    for t_s, numbers in readings.items():
        tables = SwitchTables("chassis", groups=tuple((group_of(n), 1) for n in numbers))
        ticks = round((1000 + t_s) * 100)
        stage.see(
            t_s, SwitchSeen(START_NS + round(t_s * S), "FOH", True, "", SwitchState("FOH", ticks, ticks, (), tables))
        )
    return stage


def test_groups_of_two_desks_that_the_switch_lists_no_longer_were_forgotten() -> None:
    lost = of_two_desks({5.0: (1, 2, 3, 4), 65.0: (1, 3)}).run(68.0).only()
    assert (lost.cause, lost.confidence) == ("multicast-lost", Confidence.MEDIUM)
    assert (
        '"Desk A" (10.0.0.1) and "Desk B" (10.0.0.9) since 08:16:59. They are running and still send their other '
        "universes. Switch FOH no longer lists these groups, which this listener still asks for."
    ) in lost.summary
    assert "Switch FOH listed 239.255.0.2 and 239.255.0.4 in its group table at 08:16:45" in lost.evidence[0]


def test_of_two_desks_one_group_that_is_still_listed_leaves_it_open() -> None:
    assert of_two_desks({5.0: (1, 2, 3, 4), 65.0: (1, 3, 4)}).run(68.0).only().cause == "path-or-sender"


def test_desks_that_stopped_one_after_the_other_did_not_stop_at_the_same_time() -> None:
    """Memberships that run out without a querier (RFC 2236 8.4) end one group after the other."""
    desks = [Desk("Desk A", (1,), to_s=20.0), Desk("Desk A", (2,), to_s=29.0)]
    desks += [Desk("Desk B", (3,), "10.0.0.9", 9, to_s=24.0), Desk("Desk B", (4,), "10.0.0.9", 9, to_s=33.0)]
    lost, _ = Stage(house_of((1, 2, 3, 4)), *desks).run(80.0).open
    assert 'Nothing from "Desk A" (10.0.0.1) arrives any more: it stopped within the same 9.0 s.' in lost.summary
