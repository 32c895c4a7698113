"""Loss rules from outside: captures just under and just over each sentence of the published table of rules."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.outside.show import (
    DESK,
    HOUSE,
    LISTENER,
    SPARE,
    Capture,
    artnet,
    brief,
    discovery,
    e131,
    judge,
    seconds,
    source,
    universes,
)

MAIN = source("desk")
SENDING = source("spare", "backup", 'standby = "sending"')
SILENT = source("spare", "backup", 'standby = "silent"')
BOTH = '"desk", "spare"'
FRAME_S = 1 / 40


def opened_on_time(incident: dict[str, Any], due_s: float) -> None:
    """'Detection no later than 100 ms after its rule's time'; a little rounding to milliseconds is the clock's."""
    assert due_s - 0.002 <= seconds(incident["opened_at"]) <= due_s + 0.102, brief([incident])


def interrupted(gap_s: float) -> Capture:
    """The last frame at 14.975 s, the next `gap_s` later; a sibling universe goes on."""
    capture = Capture()
    following = capture.run(12, 0, 15, slots=64)
    capture.run(12, 15 - FRAME_S + gap_s, 22, slots=64, first=following)
    capture.run(9, 0, 22, slots=64)
    return capture


def test_a_gap_under_the_loss_timeout_is_no_loss(tmp_path: Path) -> None:
    # "a universe that had data has had no frame from any source for its loss timeout": 2.5 s (E1.31 6.7.1)
    verdict = judge(interrupted(2.4), tmp_path, HOUSE + MAIN + universes(12, 9))
    assert (verdict.status, verdict.incidents) == (0, [])


def test_a_gap_over_the_loss_timeout_is_universe_lost(tmp_path: Path) -> None:
    verdict = judge(interrupted(2.7), tmp_path, HOUSE + MAIN + universes(12, 9))
    lost = verdict.only("universe-lost")
    assert verdict.status == 1
    assert (lost["severity"], lost["universes"]) == ("critical", ["e131/12"])
    assert seconds(lost["began_at"]) == pytest.approx(14.975, abs=0.001)
    opened_on_time(lost, 14.975 + 2.5)


def test_one_universe_may_have_its_own_loss_timeout(tmp_path: Path) -> None:
    # "defaults; each may stand again in one [[universes]]"
    house = HOUSE + MAIN + universes(12, more="loss_timeout_s = 4.0") + universes(9)
    assert judge(interrupted(3.8), tmp_path, house).incidents == []


def test_artnet_is_lost_after_ten_seconds_of_its_own(tmp_path: Path) -> None:
    # "Art-Net's own default is 10"
    capture = Capture()
    for turn in range(200):
        capture.put(turn / 40, artnet(5, bytes([turn * 5 % 250]) * 64, turn % 255 + 1), to="10.20.0.255", port=6454)
    capture.run(9, 0, 16, slots=64, hz=21)
    lost = judge(capture, tmp_path, HOUSE + MAIN + universes(5, protocol="artnet") + universes(9)).only("universe-lost")
    assert lost["universes"] == ["artnet/5"]
    opened_on_time(lost, 199 / 40 + 10)


@pytest.mark.parametrize(("house", "severity", "status"), [(HOUSE + universes(12, 9), "warning", 1), (None, "note", 0)])
def test_a_clean_stop_is_at_once_and_one_lower(tmp_path: Path, house: str | None, severity: str, status: int) -> None:
    # "or at once when all its streams terminated (undeclared ones, and a clean stop: one lower)"
    capture = Capture()
    following = capture.run(12, 0, 6, slots=64)
    for turn in range(3):
        capture.put(6 + turn / 40, e131(12, bytes(64), sequence=following + turn, options=0x40))
    capture.run(9, 0, 10, slots=64)
    verdict = judge(capture, tmp_path, house)
    lost = verdict.only("universe-lost")
    assert (lost["cause"], lost["severity"], verdict.status) == ("stream-terminated", severity, status)
    assert seconds(lost["began_at"]) == pytest.approx(5.975, abs=0.001)
    opened_on_time(lost, 6.0)
    assert verdict.universe("e131/12")["state"] == "not-sent"


def silent_from(at_s: float, until_s: float, *gone: int) -> Capture:
    capture = Capture()
    for number in gone:
        capture.run(number, 0, at_s, slots=64)
    capture.put(until_s, b"nothing that a protocol accepts")
    return capture


def test_every_universe_of_a_source_together_is_source_lost(tmp_path: Path) -> None:
    # "every universe of that source stopped together; other sources go on"; "one cause is one incident"
    capture = silent_from(8, 13, 1, 2, 3)
    capture.run(9, 0, 13, slots=64, sender="media", source=SPARE)
    lost = judge(capture, tmp_path, HOUSE + universes(1, 2, 3, 9)).only("universe-lost")
    assert (lost["cause"], lost["confidence"]) == ("source-lost", "high")
    assert lost["universes"] == ["e131/1", "e131/2", "e131/3"]


def test_the_only_source_lost_is_medium_with_the_network_as_runner_up(tmp_path: Path) -> None:
    # "If it is the only source on the network: medium, with the network as the runner-up"
    lost = judge(silent_from(8, 13, 1, 2), tmp_path, HOUSE + universes(1, 2)).only("universe-lost")
    assert (lost["cause"], lost["confidence"]) == ("source-lost", "medium")
    assert "network" in lost["also_possible"][0]


def test_all_of_several_sources_together_is_network_lost(tmp_path: Path) -> None:
    # "two or more sources, all of them, stopped together, the interface still up"
    capture = silent_from(8, 13, 1, 2)
    capture.run(9, 0, 8, slots=64, sender="media", source=SPARE)
    lost = judge(capture, tmp_path, HOUSE + universes(1, 2, 9)).only("universe-lost")
    assert (lost["cause"], lost["universes"]) == ("network-lost", ["e131/1", "e131/2", "e131/9"])
    opened_on_time(lost, 7.975 + 2.5)


@pytest.mark.parametrize(
    ("lists", "cause"),
    [([[1, 2], [2], [2]], "universe-withdrawn"), ([[1, 2], [1, 2], [1, 2]], "path-or-sender")],
)
def test_the_discovery_list_tells_withdrawn_from_path(tmp_path: Path, lists: list[list[int]], cause: str) -> None:
    # "the source lives, and its discovery list drops the universe" / "its discovery still lists this one"
    capture = Capture()
    capture.run(1, 0, 8, slots=64)
    capture.run(2, 0, 24, slots=64)
    for at_s, listed in zip((1, 11, 21), lists, strict=True):
        capture.put(at_s, discovery(listed))
    lost = judge(capture, tmp_path, HOUSE + MAIN + universes(1, 2)).only("universe-lost")
    assert lost["cause"] == cause
    assert cause != "path-or-sender" or lost["confidence"] == "low"


def test_a_universe_of_the_same_unicast_way_that_stops_alone_is_withdrawn(tmp_path: Path) -> None:
    # "or universes that reach this port by the same unicast or broadcast way go on"
    capture = Capture()
    for turn in range(600):
        for number in (1, 2) if turn < 320 else (2,):
            capture.put(turn / 40, e131(number, bytes([turn * 5 % 250]) * 64, sequence=turn), to=LISTENER)
    lost = judge(capture, tmp_path, HOUSE + MAIN + universes(1, 2)).only("universe-lost")
    assert (lost["cause"], lost["universes"]) == ("universe-withdrawn", ["e131/1"])


def test_groups_that_stop_while_unicast_goes_on_are_multicast_lost(tmp_path: Path) -> None:
    # "several groups stopped while unicast or broadcast of the same source goes on"
    capture = silent_from(8, 13, 1, 2, 3)
    for turn in range(520):
        capture.put(turn / 40, e131(4, bytes([turn * 5 % 250]) * 64, sequence=turn), to=LISTENER)
    lost = judge(capture, tmp_path, HOUSE + universes(1, 2, 3, 4)).only("universe-lost")
    assert (lost["cause"], lost["universes"]) == ("multicast-lost", ["e131/1", "e131/2", "e131/3"])


@pytest.mark.parametrize(
    ("phase", "severity"),
    [
        ("dark", "note"),
        ("get-in", "note"),
        ("rehearsal", "warning"),
        ("pre-show", "critical"),
        ("show", "critical"),
        ("post-show", "note"),
    ],
)
def test_missing_is_graded_by_the_phase(tmp_path: Path, phase: str, severity: str) -> None:
    # "has had no frame 10 s after start"; the class table's row of loss; "exit 1 means a warning or worse"
    capture = Capture()
    capture.run(9, 0, 11, slots=64, hz=21)
    house = (
        HOUSE.replace('phase = "show"', f'phase = "{phase}"')
        + universes(9, 12)
        + universes(13, more="expected = false")
    )
    verdict = judge(capture, tmp_path, house)
    missing = verdict.only("universe-missing")
    assert (missing["universes"], missing["severity"]) == (["e131/12"], severity)
    opened_on_time(missing, 10.0)
    assert verdict.status == (0 if severity == "note" else 1)
    assert verdict.universe("e131/12")["state"] == "missing"


@pytest.mark.parametrize(("vantage", "state"), [("port", "not-visible"), ("mirror", "missing")])
def test_artnet_is_missing_only_where_it_would_be_seen(tmp_path: Path, vantage: str, state: str) -> None:
    # "A universe is visible … Art-Net and artnet_subscribe or a mirror … Else not-visible": never called missing
    capture = Capture()
    capture.run(9, 0, 11, slots=64, hz=21)
    house = HOUSE + f'vantage = "{vantage}"\n' + universes(9) + universes(5, protocol="artnet")
    verdict = judge(capture, tmp_path, house)
    assert verdict.universe("artnet/5")["state"] == state
    assert verdict.rules() == (["universe-missing"] if state == "missing" else [])


def together(main_s: float, spare_s: float, main_priority: int = 100, spare_priority: int = 90) -> Capture:
    capture = Capture()
    capture.run(5, 0, main_s, slots=64, priority=main_priority)
    capture.run(5, 0, spare_s, slots=64, priority=spare_priority, sender="spare", source=SPARE)
    return capture


def test_main_and_backup_in_step_and_a_silent_standby_are_healthy(tmp_path: Path) -> None:
    assert (
        judge(together(12, 12, 100, 100), tmp_path, HOUSE + MAIN + SENDING + universes(5, sources=BOTH)).incidents == []
    )
    assert judge(together(12, 0), tmp_path, HOUSE + MAIN + SILENT + universes(5, sources=BOTH)).incidents == []


def test_a_silent_main_beside_a_living_backup_is_source_absent(tmp_path: Path) -> None:
    # "a declared main source is silent on its universe for the loss timeout while another keeps the universe alive"
    verdict = judge(together(8, 17), tmp_path, HOUSE + MAIN + SENDING + universes(5, sources=BOTH))
    absent = verdict.only("source-absent")
    assert (absent["severity"], absent["universes"], verdict.rules()) == ("warning", ["e131/5"], ["source-absent"])
    assert seconds(absent["began_at"]) == pytest.approx(7.975, abs=0.001)
    opened_on_time(absent, 7.975 + 2.5)
    # "A rule that a wider incident explains is listed in its explains, not raised beside it"
    assert {"rule": "backup-in-control", "universes": ["e131/5"]} in absent["explains"]


def test_what_an_incident_explained_stays_on_its_record(tmp_path: Path) -> None:
    # As documented: "A rule that a wider incident explains is listed in its `explains`, not raised beside it": also
    # once all is well again, when nothing else tells that the backup was in control
    capture = Capture()
    following = capture.run(5, 0, 10)
    capture.run(5, 0, 40, sender="spare", source=SPARE)
    capture.run(5, 22, 40, first=following)
    verdict = judge(capture, tmp_path, HOUSE + MAIN + SENDING + universes(5, sources=BOTH))
    absent = verdict.only("source-absent")
    assert absent["state"] == "closed"
    assert absent["explains"] == [{"rule": "backup-in-control", "universes": ["e131/5"]}]
    assert "backup-in-control" not in verdict.rules()


@pytest.mark.parametrize("vantage", ["port", "mirror"])
def test_an_undeclared_universe_that_is_lost_is_one_lower(tmp_path: Path, vantage: str) -> None:
    # As documented: "(undeclared ones, and a clean stop: one lower)"; and "A rule that a wider
    # incident explains is listed in its `explains`": what came only because a switch flooded it ends with the flood.
    # A mirror port sees everything, so there nothing is flooded.
    capture = Capture()
    capture.run(1, 0, 10)
    capture.run(2, 0, 20, sender="other", source=SPARE)
    verdict = judge(capture, tmp_path, HOUSE + f'vantage = "{vantage}"\n' + universes(2))
    if vantage == "mirror":
        assert verdict.only("universe-lost")["severity"] == "warning"
    else:
        flood = verdict.only("flooded-groups")
        assert flood["explains"] == [{"rule": "universe-lost", "universes": ["e131/1"]}]
        assert "universe-lost" not in verdict.rules()


def test_a_backup_that_falls_silent_or_never_came_is_backup_absent(tmp_path: Path) -> None:
    # "a backup that was heard falls silent, or one with standby = sending never came in 10 s"
    house = HOUSE + MAIN + SENDING + universes(5, sources=BOTH)
    heard = judge(together(13, 8), tmp_path, house).only("backup-absent")
    opened_on_time(heard, 7.975 + 2.5)
    never = judge(together(11, 0), tmp_path, house).only("backup-absent")
    opened_on_time(never, 10.0)
    assert heard["severity"] == never["severity"] == "warning"


def test_what_returns_within_a_minute_is_the_same_incident(tmp_path: Path) -> None:
    # "Without flapping, what returns within 60 s re-opens the same incident"
    capture = Capture()
    following = capture.run(3, 0, 6, slots=64)
    following = capture.run(3, 9, 25, slots=64, first=following)
    capture.run(3, 28, 42, slots=64, first=following)
    capture.run(9, 0, 42, slots=64, hz=21)
    lost = judge(capture, tmp_path, HOUSE + MAIN + universes(3, 9)).only("universe-lost")
    assert lost["state"] == "closed"
    assert seconds(lost["closed_at"]) == pytest.approx(28 + 10, abs=0.1), "the off-delay is 10 s unless declared"


@pytest.mark.parametrize("option", [0x80])
def test_preview_keeps_nothing_alive(tmp_path: Path, option: int) -> None:
    # "all that arrives on a declared universe is preview data"
    capture = Capture()
    capture.run(3, 0, 12, slots=64, options=option)
    verdict = judge(capture, tmp_path, HOUSE + MAIN + universes(3))
    assert verdict.only("preview-only")["severity"] == "warning"
    assert verdict.universe("e131/3")["frames"] == 0


def test_sources_are_shown_by_cid_and_address(tmp_path: Path) -> None:
    capture = Capture()
    capture.run(3, 0, 2, slots=64)
    verdict = judge(capture, tmp_path)
    (row,) = verdict.answer["sources"]
    assert (row["address"], row["protocol"], row["source_name"]) == (DESK, "e131", "desk")
    assert row["cid"] == row["source"]
