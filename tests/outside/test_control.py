"""Control and storm rules from outside: captures just under and just over each sentence of the published table."""

from __future__ import annotations

import uuid
from pathlib import Path

import pytest

from tests.outside.show import DESK, HOUSE, OTHER, SPARE, Capture, artnet, cid, e131, group, judge, source, universes
from tests.outside.test_loss import opened_on_time

DESK_AND_SPARE = HOUSE + source("desk") + source("spare")
MAIN_AND_BACKUP = HOUSE + source("desk") + source("spare", "backup", 'standby = "sending"')
BOTH = '"desk", "spare"'


def two_sources(other_s: float, *, level: int = 50, priority: int = 100) -> Capture:
    """The desk holds 100 on universe 3; another holds `level` there from 3 s on, and then says that it stops."""
    capture = Capture()
    capture.run(3, 0, 12, slots=64, move=0, level=100)
    following = capture.run(
        3, 3, 3 + other_s, slots=64, move=0, level=level, sender="spare", source=SPARE, priority=priority
    )
    for turn in range(3):
        capture.put(
            3 + other_s + turn / 40, e131(3, bytes(64), sender="spare", sequence=following + turn, options=0x40), SPARE
        )
    return capture


@pytest.mark.parametrize(("other_s", "raised"), [(4.5, False), (5.5, True)])
def test_a_conflict_takes_five_seconds(tmp_path: Path, other_s: float, raised: bool) -> None:
    # "for 5 s two or more sources win the same slot at one priority with different levels, and not `shared`"
    verdict = judge(two_sources(other_s), tmp_path, DESK_AND_SPARE + universes(3, sources=BOTH))
    found = [incident for incident in verdict.incidents if incident["rule"] == "source-conflict"]
    assert bool(found) is raised
    if raised:
        assert found[0]["severity"] == "critical"
        opened_on_time(found[0], 8.0)
        assert len(found[0]["sources"]) == 2


def test_no_conflict_where_it_is_meant_or_settled(tmp_path: Path) -> None:
    # "not `shared`"; a source under the top priority is no conflict (E1.31 6.2.3); one level is none either
    for capture, more in (
        (two_sources(8), "shared = true"),
        (two_sources(8, priority=99), ""),
        (two_sources(8, level=100), ""),
    ):
        verdict = judge(capture, tmp_path, DESK_AND_SPARE + universes(3, sources=BOTH, more=more))
        assert "source-conflict" not in verdict.rules()


def test_two_artnet_addresses_with_different_levels_conflict(tmp_path: Path) -> None:
    # "Art-Net: two addresses with different levels"
    capture = Capture()
    for turn in range(280):
        for address, level in ((DESK, 100), (SPARE, 50)):
            capture.put(turn / 40, artnet(5, bytes([level]) * 64, turn % 255 + 1), address, to="10.20.0.255", port=6454)
    conflict = judge(capture, tmp_path, HOUSE + universes(5, protocol="artnet")).only("source-conflict")
    assert (conflict["severity"], conflict["universes"]) == ("critical", ["artnet/5"])


@pytest.mark.parametrize(("priority", "raised"), [(100, False), (101, True)])
def test_a_source_above_its_declared_priority(tmp_path: Path, priority: int, raised: bool) -> None:
    # "a source not declared for that universe, or above its declared priority"
    capture = Capture()
    capture.run(3, 0, 5, slots=64, priority=priority)
    house = HOUSE + source("desk", more="priority = 100") + universes(3, sources='"desk"')
    assert judge(capture, tmp_path, house).rules() == (["unexpected-source"] if raised else [])


def test_a_source_that_the_universe_does_not_name(tmp_path: Path) -> None:
    capture = two_sources(8, priority=90)
    unexpected = judge(capture, tmp_path, DESK_AND_SPARE + universes(3, sources='"desk"')).only("unexpected-source")
    assert (unexpected["severity"], unexpected["sources"]) == ("warning", [str(uuid.UUID(bytes=cid("spare")))])
    assert unexpected["source_names"] == ["spare"]


def test_two_sources_that_call_themselves_the_same_are_two(tmp_path: Path) -> None:
    # As documented: streams are "shown by CID"; 6: `sources` of an incident are those of the list of sources
    capture = Capture()
    capture.run(3, 0, 8, move=0, level=50, name="desk")
    capture.run(3, 0, 8, move=0, level=100, sender="spare", source=OTHER, name="desk")
    verdict = judge(capture, tmp_path)
    both = sorted(str(uuid.UUID(bytes=cid(name))) for name in ("desk", "spare"))
    assert verdict.only("source-conflict")["sources"] == both
    assert sorted(row["source"] for row in verdict.answer["sources"]) == both


def test_a_declared_source_that_never_came_is_named_by_its_declared_cid(tmp_path: Path) -> None:
    # As documented: a source is named by its `source`, which of E1.31 is its CID
    capture = Capture()
    capture.run(3, 0, 14)
    house = MAIN_AND_BACKUP + universes(3, sources=BOTH)
    absent = judge(capture, tmp_path, house).only("backup-absent")
    assert absent["sources"] == [str(uuid.UUID(bytes=cid("spare")))]


def test_data_on_an_undeclared_universe_is_a_note(tmp_path: Path) -> None:
    capture = Capture()
    capture.run(3, 0, 5, slots=64)
    capture.run(4, 0, 5, slots=64)
    verdict = judge(capture, tmp_path, HOUSE + universes(4))
    assert (verdict.status, verdict.only("undeclared-universe")["severity"]) == (0, "note")
    assert verdict.universe("e131/3")["declared"] is False
    assert "undeclared-universe" not in judge(capture, tmp_path).rules(), "without a house file nothing is undeclared"


def test_a_backup_that_wins_is_in_control(tmp_path: Path) -> None:
    # "the winning source is a backup"
    capture = Capture()
    capture.run(5, 0, 9, slots=64, priority=100)
    capture.run(5, 0, 9, slots=64, priority=120, sender="spare", source=SPARE)
    control = judge(capture, tmp_path, MAIN_AND_BACKUP + universes(5, sources=BOTH)).only("backup-in-control")
    assert control["severity"] == "warning"


@pytest.mark.parametrize(("apart", "raised"), [(12, False), (14, True)])
def test_a_backup_differs_by_more_than_five_percent(tmp_path: Path, apart: int, raised: bool) -> None:
    # "differ from the main's by over 5 % for 10 s": 12.75 of 255
    capture = Capture()
    capture.run(3, 0, 13, slots=64, move=0, level=100)
    capture.run(3, 0, 13, slots=64, move=0, level=100 + apart, sender="spare", source=SPARE, priority=90)
    verdict = judge(capture, tmp_path, MAIN_AND_BACKUP + universes(3, sources=BOTH))
    assert verdict.rules() == (["backup-differs"] if raised else [])


def test_a_backup_may_run_a_fifth_of_a_second_behind(tmp_path: Path) -> None:
    # "allowing it to run 200 ms behind"
    capture = Capture()
    capture.run(3, 0, 13, slots=64)
    capture.run(3, 0.18, 13, slots=64, sender="spare", source=SPARE, priority=90)
    assert judge(capture, tmp_path, MAIN_AND_BACKUP + universes(3, sources=BOTH)).incidents == []


def test_one_cid_from_two_addresses_is_a_duplicate(tmp_path: Path) -> None:
    # "one CID from two addresses …, overlapping for 5 s, with series of sequence numbers that disagree"
    capture = Capture()
    capture.run(3, 0, 11, slots=64)
    capture.run(3, 3, 11, slots=64, source=SPARE, first=77)
    duplicate = judge(capture, tmp_path, HOUSE + source("desk") + universes(3)).only("duplicate-identity")
    assert duplicate["severity"] == "critical"
    opened_on_time(duplicate, 8.0)


def with_slot_priority(until_s: float = 99, slots: int = 64, plain_beside: bool = False) -> Capture:
    """A desk that sends 0xDD every 0.9 s, within the one sequence of its universe."""
    capture, sequence = Capture(), 0
    for turn in range(440):
        capture.put(turn / 40, e131(3, bytes([turn * 5 % 250]) * 64, sequence=sequence))
        sequence += 1
        if turn % 36 == 0 and turn / 40 < until_s:
            capture.put(turn / 40 + 0.002, e131(3, bytes([100]) * slots, sequence=sequence, start_code=0xDD))
            sequence += 1
    if plain_beside:
        capture.run(3, 0, 11, slots=64, sender="spare", source=SPARE, priority=90)
    return capture


def test_slot_priority_is_never_read_as_levels_nor_as_loss(tmp_path: Path) -> None:
    verdict = judge(with_slot_priority(), tmp_path, HOUSE + universes(3))
    assert (verdict.incidents, verdict.universe("e131/3")["frames"]) == ([], 440)


@pytest.mark.parametrize(
    "capture",
    [with_slot_priority(until_s=5), with_slot_priority(slots=40), with_slot_priority(plain_beside=True)],
    ids=["stops", "short", "only some sources"],
)
def test_slot_priority_faulty(tmp_path: Path, capture: Capture) -> None:
    # "0xDD stops for 2.5 s, is shorter than the levels, or only some of a universe's sources use it"
    faulty = judge(capture, tmp_path, DESK_AND_SPARE + universes(3, sources=BOTH)).only("slot-priority-faulty")
    assert faulty["severity"] == "warning"


def test_a_second_source_that_repeats_the_first_is_an_echo(tmp_path: Path) -> None:
    # "a second source repeats the first one's levels a few frames late, and holds them up"
    capture = Capture()
    capture.run(3, 0, 9, slots=64)
    capture.run(3, 0.05, 9, slots=64, sender="gateway", source=OTHER)
    house = HOUSE + source("desk") + universes(3, sources='"desk"')
    assert judge(capture, tmp_path, house).only("echoed-universe")["severity"] == "warning"


@pytest.mark.parametrize(("count", "raised"), [(9, False), (10, True)])
def test_malformed_packets_take_ten_in_ten_seconds(tmp_path: Path, count: int, raised: bool) -> None:
    # "10 or more in 10 s from one address that no protocol accepts"
    capture = Capture()
    capture.run(3, 0, 10, slots=64)
    for turn in range(count):
        capture.put(3 + turn / 2, b"\0\x10\0\0JUNK" + bytes(40), OTHER, to=group(3))
    verdict = judge(capture, tmp_path, HOUSE + universes(3))
    assert verdict.rules() == (["malformed-packets"] if raised else [])
    assert sum(verdict.answer["rejected"].values()) == count
    if raised:
        opened_on_time(verdict.only("malformed-packets"), 7.5)


def test_a_universe_takes_sixty_four_sources_and_says_that_there_are_more(tmp_path: Path) -> None:
    # "past 64 a universe …: counted, not kept"
    capture = Capture()
    for turn in range(3):
        for number in range(70):
            name, address = f"source {number}", f"10.20.1.{number + 1}"
            capture.put(1 + turn + number / 1000, e131(3, bytes(24), sender=name, sequence=turn), address)
    verdict = judge(capture, tmp_path)
    assert verdict.only("too-many-sources")["severity"] == "warning"
    assert len(verdict.universe("e131/3")["sources"]) <= 64


@pytest.mark.parametrize(("every", "raised"), [(5, False), (3, True)])
def test_copies_over_a_fifth_of_all_packets(tmp_path: Path, every: int, raised: bool) -> None:
    # "over 20 % of a stream's packets in 5 s are copies (same sequence, not 0, and bytes) within 10 ms": 1 of 6, 1 of 4
    capture = Capture()
    for turn in range(320):
        packet = e131(3, bytes([turn * 5 % 250]) * 64, sequence=turn)
        capture.put(turn / 40, packet)
        if turn % every == 0:
            capture.put(turn / 40 + 0.004, packet)
    verdict = judge(capture, tmp_path, HOUSE + universes(3))
    assert ("repeated-packets" in verdict.rules()) is raised
    assert "packet-loss" not in verdict.rules()
