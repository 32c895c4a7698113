"""A universe that two main sources share: a backup is compared with the one whose universes it sends."""

from __future__ import annotations

import pytest

from slotwatch.house.schema import DeclaredSource
from tests.judge.stage import Desk, Stage, house_of, still

MAIN = DeclaredSource("main desk", address="10.0.0.1", priority=100)
BACKUP = DeclaredSource("spare desk", address="10.0.0.2", role="backup", priority=90)
LIGHTS = DeclaredSource("house lights", address="10.0.0.3", priority=100)
# Common practice, no source: a controller of house lights holds some slots of a universe that a desk sends too.
FEW = bytes(300) + b"\x50" * 20 + bytes(192)


@pytest.mark.parametrize(("level", "rules"), [(100, []), (30, ["backup-differs"])])
@pytest.mark.parametrize("lights_first", [False, True])
@pytest.mark.parametrize(("numbers", "of_lights"), [((1, 2, 3), (1,)), ((1,), (1, 9))])
def test_a_backup_is_held_against_its_own_desk_where_others_share_the_universe(
    level: int, rules: list[str], lights_first: bool, numbers: tuple[int, ...], of_lights: tuple[int, ...]
) -> None:
    house = house_of((*numbers, *of_lights[1:]), min_refresh_hz=5, sources=(MAIN, BACKUP, LIGHTS), shared=True)
    main = Desk("Desk A", numbers, address=MAIN.address, levels=still(100), hz=10.0, from_s=0.5 * lights_first)
    spare = Desk("Desk B", numbers, BACKUP.address, 2, 90, hz=10.0, levels=still(level))
    lights = Desk(
        "Lights", of_lights, LIGHTS.address, 3, hz=10.0, levels=lambda t: FEW, from_s=0.5 * (not lights_first)
    )
    shown = Stage(house, main, spare, lights).run(14.0)
    assert [one.rule for one in shown.alarms()] == rules
