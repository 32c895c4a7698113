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
