"""Patch rules from outside: house file, patch and captures just under and just over each published sentence."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.outside.show import HOUSE, Capture, e131, judge, run, universes

HEAD = "fixture,universe,address,profile,footprint,circuit,faces_audience\n"
PATCHED = (
    HOUSE
    + universes(3)
    + """
[[profiles]]
name = "dim"
slots = ["intensity"]
[[profiles]]
name = "wash"
slots = ["intensity", "red"]
[[profiles]]
name = "relay"
slots = ["non-dim"]
[patch]
file = "patch.csv"
"""
)
RACK = """
[[racks]]
name = "R"
universe = "e131/3"
address = 1
ways = 6
volts = 230
supplies = 3
order = "in-turn"
way_limit_a = 10
supply_limit_a = 12
[circuits]
file = "circuits.csv"
"""
CIRCUITS = "circuit,rack,way,module,load_w,curve,limit_a\n"


def held(seconds: float, levels: bytes) -> Capture:
    capture = Capture()
    for turn in range(round(seconds * 40)):
        capture.put(turn / 40, e131(3, levels, sequence=turn))
    return capture


@pytest.mark.parametrize(("slots", "raised"), [(102, True), (103, False)])
def test_short_frame_by_the_slots_that_the_patch_uses(tmp_path: Path, slots: int, raised: bool) -> None:
    # "for 5 s no source covers all slots that the patch uses": 100 to 103
    patch = HEAD + "B,e131/3,100,,4,,\n"
    verdict = judge(held(7, bytes(99) + bytes([9]) * (slots - 99)), tmp_path, PATCHED, patch=patch)
    assert verdict.rules() == (["short-frame"] if raised else [])
    assert not raised or verdict.only("short-frame")["severity"] == "critical"


@pytest.mark.parametrize(("up_s", "raised"), [(4.7, False), (5.4, True)])
def test_stray_levels_last_five_seconds(tmp_path: Path, up_s: float, raised: bool) -> None:
    # "a slot no fixture uses is above zero for 5 s, on a universe that has a patch"; a note
    capture = Capture()
    for turn in range(480):
        stray = 7 if 3 <= turn / 40 < 3 + up_s else 0
        capture.put(turn / 40, e131(3, bytes([100, 0, 0, stray]), sequence=turn))
    verdict = judge(capture, tmp_path, PATCHED, patch=HEAD + "A,e131/3,1,dim,,,\n")
    assert verdict.rules() == (["stray-levels"] if raised else [])
    assert verdict.status == 0


@pytest.mark.parametrize(("level", "raised"), [(2, False), (3, True), (252, True), (253, False)])
def test_a_non_dim_slot_between_1_and_99_percent(tmp_path: Path, level: int, raised: bool) -> None:
    # "stands at one level between 1 % and 99 % for 2 s": 2.55 and 252.45 of 255
    verdict = judge(held(4, bytes([level])), tmp_path, PATCHED, patch=HEAD + "N,e131/3,1,relay,,,\n")
    assert verdict.rules() == (["non-dim-partial"] if raised else [])


@pytest.mark.parametrize(("module", "severity"), [("dimmer", "critical"), ("switched", "warning")])
def test_non_dim_is_worst_on_a_dimmer_way(tmp_path: Path, module: str, severity: str) -> None:
    # "critical on a dimmer way, warning on a switched one"
    circuits = CIRCUITS + f"c1,R,1,{module},500,,10\n"
    verdict = judge(
        held(4, bytes([120])), tmp_path, PATCHED + RACK, patch=HEAD + "N,e131/3,1,relay,,c1,\n", circuits=circuits
    )
    assert verdict.only("non-dim-partial")["severity"] == severity


@pytest.mark.parametrize(("stand_s", "raised"), [(1.7, False), (2.4, True)])
def test_a_non_dim_slot_may_pass_through(tmp_path: Path, stand_s: float, raised: bool) -> None:
    # "for 2 s … A fade passing through is neither"
    capture = Capture()
    for turn in range(320):
        level = 120 if 3 <= turn / 40 < 3 + stand_s else min(255, turn)
        capture.put(turn / 40, e131(3, bytes([level if turn < 320 else 255]), sequence=turn))
    verdict = judge(capture, tmp_path, PATCHED, patch=HEAD + "N,e131/3,1,relay,,,\n")
    assert verdict.rules() == (["non-dim-partial"] if raised else [])


def test_a_fixture_up_on_a_circuit_that_is_off(tmp_path: Path) -> None:
    # "a fixture's intensity is up while its switched circuit is off, 5 s"
    circuits = CIRCUITS + "c2,R,2,switched,500,,10\n"
    patch = HEAD + "W,e131/3,8,wash,,c2,\nP,e131/3,2,relay,,,\n"
    for power, raised in ((0, True), (255, False)):
        verdict = judge(
            held(8, bytes([0, power, 0, 0, 0, 0, 0, 200, 0])), tmp_path, PATCHED + RACK, patch=patch, circuits=circuits
        )
        assert ("powered-off" in verdict.rules()) is raised


@pytest.mark.parametrize(("period", "raised"), [(16, False), (8, True)])
def test_flashes_in_the_audience(tmp_path: Path, period: int, raised: bool) -> None:
    # "more than 3 flashes in a second for 2 s … on fixtures that face the audience": 2.5 and 5 a second (WCAG 2.3.1)
    capture = Capture()
    for turn in range(240):
        capture.put(turn / 40, e131(3, bytes([200 if turn % period < period // 2 else 0]), sequence=turn))
    verdict = judge(capture, tmp_path, PATCHED, patch=HEAD + "A,e131/3,1,dim,,,yes\n")
    assert verdict.rules() == (["flash-rate"] if raised else [])


@pytest.mark.parametrize(
    ("loads", "rule"),
    [
        ({1: 2200}, None),  # 9.57 A of 10
        ({1: 2400}, "way-overload"),  # 10.43 A of 10
        ({1: 1350, 4: 1350}, None),  # both on supply line 1: 11.74 A of 12
        ({1: 1450, 4: 1450}, "supply-overload"),  # 12.61 A of 12
        ({1: 1450, 2: 1450}, None),  # on two lines
    ],
)
def test_estimated_currents_over_their_limits(tmp_path: Path, loads: dict[int, int], rule: str | None) -> None:
    # "the estimated current of a way or a supply line is over its limit for 10 s"; I = P / U, resistive, at full
    circuits = CIRCUITS + "".join(f"c{way},R,{way},dimmer,{load},linear,\n" for way, load in loads.items())
    capture = Capture()
    for turn in range(16):
        capture.put(turn * 0.9, e131(3, bytes([255]) * 6, sequence=turn))
    verdict = judge(capture, tmp_path, HOUSE + universes(3) + RACK, circuits=circuits)
    assert verdict.rules() == ([rule] if rule else [])


@pytest.mark.parametrize(
    ("rows", "status"),
    [
        ("A,e131/3,1,,4,,\nB,e131/3,5,,4,,\n", 0),
        ("A,e131/3,1,,4,,\nB,e131/3,4,,4,,\n", 1),
        ("A,e131/3,509,,4,,\n", 0),
        ("A,e131/3,510,,4,,\n", 1),
        ("A,e131/3,1,wash,,,\nB,e131/3,1,wash,,,\n", 0),
        ("A,e131/3,513,,1,,\n", 2),
        ("A,e131/3,1,,4,,\nA,e131/3,9,,4,,\n", 2),
        ("A,e131/3,1,,4,,perhaps\n", 2),
    ],
    ids=[
        "beside",
        "overlap",
        "to 512",
        "past 512",
        "doubled",
        "no such address",
        "name twice",
        "neither yes nor empty",
    ],
)
@pytest.mark.parametrize("comma", [",", ";", "\t"])
def test_check_judges_the_patch(tmp_path: Path, rows: str, status: int, comma: str) -> None:
    # "CSV, UTF-8 with or without BOM, header row, comma, semicolon or tab"; "fixtures overlap, or run past 512. Same
    # address and same profile is doubled: a note"; exit 1 for faults, 2 for what cannot be read
    (tmp_path / "house.toml").write_text(PATCHED)
    (tmp_path / "patch.csv").write_text("\ufeff" + (HEAD + rows).replace(",", comma))
    found, _, complaint = run("check", "-c", str(tmp_path / "house.toml"))
    assert found == status, complaint
    assert (status == 2) == bool(complaint)
    assert all("patch.csv:" in line for line in complaint.splitlines())
