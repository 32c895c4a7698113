"""The word that each universe is shown with, from outside: captures that end while something is the case."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.outside.show import DESK, HOUSE, SPARE, Capture, judge, source, universes

MAIN = source("desk")
BACKUP = source("spare", "backup", 'standby = "sending"')
BOTH = '"desk", "spare"'


def two_desks(main_ends_s: float, end_s: float, back_s: float | None = None) -> Capture:
    """A main and its backup in step on universe 12; the main is silent from `main_ends_s` to `back_s`."""
    capture = Capture()
    following = capture.run(12, 0, main_ends_s, slots=64, source=DESK)
    capture.run(12, 0.001, end_s, slots=64, sender="spare", source=SPARE, priority=99)
    if back_s is not None:
        level = round(back_s * 40) * 5 % 250
        capture.run(12, back_s, end_s, slots=64, source=DESK, first=following, level=level)
    return capture


def test_what_a_backup_carries_is_on_backup_and_not_faulty(tmp_path: Path) -> None:
    """`on-backup`: a declared backup carries it because a main source is silent."""
    house = HOUSE + MAIN + BACKUP + universes(12, sources=BOTH)
    assert judge(two_desks(8, 20), tmp_path, house).universe("e131/12")["state"] == "on-backup"


def test_a_backup_that_outranks_a_main_which_sends_is_a_fault(tmp_path: Path) -> None:
    capture = Capture()
    capture.run(12, 0, 20, slots=64)
    capture.run(12, 0.001, 20, slots=64, sender="spare", source=SPARE, priority=101)
    verdict = judge(capture, tmp_path, HOUSE + MAIN + BACKUP + universes(12, sources=BOTH))
    assert verdict.rules() == ["backup-in-control"]
    assert verdict.universe("e131/12")["state"] == "faulty"


def test_when_the_main_is_back_it_is_returning_until_the_incident_closes(tmp_path: Path) -> None:
    house = HOUSE + MAIN + BACKUP + universes(12, sources=BOTH)
    assert judge(two_desks(8, 25, 20), tmp_path, house).universe("e131/12")["state"] == "returning"
    assert judge(two_desks(8, 33, 20), tmp_path, house).universe("e131/12")["state"] == "steady"


@pytest.mark.parametrize(("end_s", "state"), [(18, "lost"), (25, "returning"), (33, "steady")])
def test_a_lost_universe_that_is_back_is_returning_while_it_is_watched(
    tmp_path: Path, end_s: float, state: str
) -> None:
    """The off-delay of a loss is 10 s: until then the incident is open."""
    capture = Capture()
    following = capture.run(12, 0, 10, slots=64)
    capture.run(12, 20, max(end_s, 20), slots=64, first=following)
    capture.run(9, 0, end_s, slots=64)
    assert judge(capture, tmp_path, HOUSE + MAIN + universes(12, 9)).universe("e131/12")["state"] == state


def test_a_fault_that_has_ended_is_no_longer_faulty(tmp_path: Path) -> None:
    """Nobody sees it any more; its incident closes 10 s later."""
    capture = Capture()
    following = capture.run(12, 0, 15, slots=64, hz=60)
    capture.run(12, 15, 24, slots=64, hz=40, first=following, level=150)
    assert judge(capture, tmp_path, HOUSE + MAIN + universes(12)).universe("e131/12")["state"] in (
        "steady",
        "returning",
    )


def test_a_universe_whose_backup_is_away_is_steady_and_its_incident_is_open(tmp_path: Path) -> None:
    """`faulty` is data that arrives with a fault; its main source sends all of it."""
    capture = Capture()
    capture.run(12, 0, 25, slots=64)
    capture.run(12, 0.001, 10, slots=64, sender="spare", source=SPARE, priority=99)
    verdict = judge(capture, tmp_path, HOUSE + MAIN + BACKUP + universes(12, sources=BOTH))
    assert verdict.rules() == ["backup-absent"]
    assert verdict.universe("e131/12")["state"] == "steady"
