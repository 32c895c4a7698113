"""Flow rules from outside: captures just under and just over each sentence of the published table of rules."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.outside.show import HOUSE, Capture, Verdict, e131, group, judge, sync_packet, universes
from tests.outside.test_loss import opened_on_time

THREE = HOUSE + universes(3)


def steady(hz: float, seconds: float, **more: object) -> Capture:
    capture = Capture()
    capture.run(3, 0, seconds, hz=hz, slots=64, **more)  # type: ignore[arg-type]
    return capture


def judged(capture: Capture, folder: Path, house: str = THREE) -> Verdict:
    verdict = judge(capture, folder, house)
    assert verdict.status == int(any(i["severity"] != "note" and not i["accepted"] for i in verdict.incidents))
    return verdict


@pytest.mark.parametrize(("hz", "step", "rules"), [(21, 5, []), (19, 5, ["slow-refresh"]), (12, 3, []), (1, 0, [])])
def test_slow_refresh_is_judged_while_levels_move(tmp_path: Path, hz: float, step: int, rules: list[str]) -> None:
    # "over 5 s in which at least 80 % of successive frames differ by 4 or more in some slot: the mean rate is under
    # min_refresh_hz" (20). "At rest on keep-alive, and a slow fade sent only on change, are healthy"
    verdict = judged(steady(hz, 9, move=step), tmp_path)
    assert verdict.rules() == rules
    if rules:
        opened_on_time(verdict.only("slow-refresh"), 5.0)


@pytest.mark.parametrize(("hz", "rules"), [(25, []), (23, ["slow-refresh"])])
def test_slow_refresh_knows_the_streams_own_norm(tmp_path: Path, hz: float, rules: list[str]) -> None:
    # "or under 60 % of the stream's own norm (its best such 5 s, once 30 s of them are known)": 24 of 40 Hz
    capture = Capture()
    following = capture.run(3, 0, 36, slots=64)
    capture.run(3, 36, 45, hz=hz, slots=64, first=following)
    assert judged(capture, tmp_path).rules() == rules


@pytest.mark.parametrize(
    ("slots", "hz", "rules"),
    [(512, 46.0, []), (512, 46.7, ["fast-refresh"]), (24, 864, []), (24, 882, ["fast-refresh"])],
)
def test_fast_refresh_goes_by_the_slot_count(tmp_path: Path, slots: int, hz: float, rules: list[str]) -> None:
    # "above the DMX512 maximum for its slot count (44.1 Hz at 512) by more than 5 %"; E1.11: 830.6 Hz at 24 slots
    capture = Capture()
    capture.run(3, 0, 6.5, hz=hz, slots=slots)
    verdict = judged(capture, tmp_path)
    assert verdict.rules() == rules
    if rules:
        opened_on_time(verdict.only("fast-refresh"), 5.0)


def test_an_accepted_rule_is_no_fault_until_its_date(tmp_path: Path) -> None:
    # "a standing exception, always with its reason", `until`
    words = '[[accepted]]\nrule = "fast-refresh"\nuniverses = ["e131/3"]\nreason = "wall"\nuntil = {}-01-31\n'
    capture = Capture()
    capture.run(3, 0, 7, hz=60)
    assert judged(capture, tmp_path, THREE + words.format(2099)).status == 0
    assert judged(capture, tmp_path, THREE + words.format(2020)).status == 1


def gapped(count: int, gap_s: float, *, spacing_s: float = 2.0, hz: float = 40, move: bool = True) -> Capture:
    """`count` gaps of `gap_s` from 8 s on, each `spacing_s` after the one before, no frame missing by sequence."""
    capture, at_s, due_s = Capture(), 0.0, 8.0
    for turn in range(2000):
        capture.put(at_s, e131(3, bytes([turn * 5 % 250 if move else 7]) * 64, sequence=turn))
        if count and at_s >= due_s:
            at_s, due_s, count = at_s + gap_s, due_s + spacing_s, count - 1
        else:
            at_s += 1 / hz
        if at_s > 8 + 3 * spacing_s + 2:
            return capture
    return capture


@pytest.mark.parametrize(
    ("capture", "raised"),
    [
        (lambda: gapped(2, 0.15), False),
        (lambda: gapped(3, 0.11), True),
        (lambda: gapped(3, 0.095), False),
        (lambda: gapped(3, 0.115, hz=25), False),
        (lambda: gapped(3, 0.13, hz=25), True),
        (lambda: gapped(3, 0.2, move=False), False),
        (lambda: gapped(3, 0.15, spacing_s=5.2), False),
    ],
    ids=["two", "over 100 ms", "under 100 ms", "under 3 medians", "over 3 medians", "at rest", "over more than 10 s"],
)
def test_uneven_refresh_needs_three_gaps_while_levels_change(
    tmp_path: Path, capture: Callable[[], Capture], raised: bool
) -> None:
    # "3 or more gaps in 10 s, each over 3 times the stream's median interval of the last 60 s and over 100 ms, with the
    # levels changing right before and after. A gap after three equal frames is rest"
    assert judged(capture(), tmp_path).rules() == (["uneven-refresh"] if raised else [])


def lossy(missing: tuple[int, ...], count: int = 640, hz: float = 40, move: bool = True) -> Capture:
    capture = Capture()
    for turn in range(count):
        if turn not in missing:
            capture.put(turn / hz, e131(3, bytes([turn * 5 % 250 if move else 7]) * 64, sequence=turn))
    return capture


@pytest.mark.parametrize(
    ("capture", "raised"),
    [
        (lambda: lossy((300, 340, 380, 420)), False),
        (lambda: lossy((300, 340, 380, 420, 460)), True),
        (lambda: lossy((14, 16), 25, 1.1, move=False), False),
        (lambda: lossy((14, 16, 18), 25, 1.1, move=False), True),
    ],
    ids=["four of 400", "five of 400", "two of the last ten", "three of the last ten"],
)
def test_packet_loss_by_sequence(tmp_path: Path, capture: Callable[[], Capture], raised: bool) -> None:
    # "over 1 % and 5 or more of a stream's frames missing by sequence in 10 s, or 3 of its last 10"
    assert judged(capture(), tmp_path).rules() == (["packet-loss"] if raised else [])


@pytest.mark.parametrize(("late", "raised"), [(4, False), (5, True)])
def test_out_of_order_by_the_sequence_rule(tmp_path: Path, late: int, raised: bool) -> None:
    # "5 or more frames in 10 s that E1.31's sequence rule discards" (6.7.2)
    capture = lossy((), 480)
    for turn in range(late):
        capture.put(7.505 + turn / 2, e131(3, bytes(64), sequence=300 + turn * 20 - 3))
    verdict = judged(capture, tmp_path)
    assert verdict.rules() == (["out-of-order"] if raised else [])
    assert verdict.status == 0, "a note alone is exit 0"


@pytest.mark.parametrize("step", [0, -1])
def test_a_sequence_that_receivers_discard_is_unusable_and_no_loss(tmp_path: Path, step: int) -> None:
    # "(wins over the universe-lost that discarding would cause)"
    capture = Capture()
    for turn in range(320):
        capture.put(turn / 40, e131(3, bytes([turn * 5 % 250]) * 64, sequence=turn * step))
    verdict = judged(capture, tmp_path)
    assert verdict.rules() == ["sequence-unusable"]
    assert verdict.only("sequence-unusable")["severity"] == "warning"


def test_a_sequence_shared_by_universes_is_unusable_and_no_loss(tmp_path: Path) -> None:
    # "or steps by the number of universes"
    capture = Capture()
    for turn in range(320):
        for number in (1, 2, 3):
            capture.put(
                turn / 40 + number / 1000, e131(number, bytes([turn * 5 % 250]) * 64, sequence=3 * turn + number)
            )
    verdict = judged(capture, tmp_path, HOUSE + universes(1, 2, 3))
    assert verdict.only("sequence-unusable")["universes"] == ["e131/1", "e131/2", "e131/3"]
    assert verdict.rules() == ["sequence-unusable"]


@pytest.mark.parametrize(("syncs", "options", "severity"), [(0, 0, "note"), (320, 0, "critical"), (320, 0x20, "note")])
def test_sync_missing(tmp_path: Path, syncs: int, options: int, severity: str) -> None:
    # "note if no sync packet ever came there; critical if it came, stopped for the loss timeout, and force-sync is 0"
    capture = steady(40, 13, sync=7, options=options)
    for turn in range(syncs):
        capture.put(turn / 40 + 0.01, sync_packet(7, turn), to=group(7))
    verdict = judged(capture, tmp_path)
    assert verdict.only("sync-missing")["severity"] == severity
    if syncs:
        opened_on_time(verdict.only("sync-missing"), 319 / 40 + 0.01 + 2.5)


def test_a_packet_in_another_universes_group(tmp_path: Path) -> None:
    # "a packet's universe is not the one of the group it was sent to"
    capture = Capture()
    for turn in range(200):
        capture.put(turn / 40, e131(3, bytes([turn * 5 % 250]) * 64, sequence=turn), to=group(4))
    assert judged(capture, tmp_path).only("wrong-group")["severity"] == "warning"


@pytest.mark.parametrize(("slots", "raised"), [(0, True), (1, False)])
def test_frames_without_any_slot_hold_no_levels(tmp_path: Path, slots: int, raised: bool) -> None:
    # E1.31-2018 7.6: the property count is the number of slots and the start code, so 1 is no slot at all
    capture = Capture()
    for turn in range(400):
        capture.put(turn / 40, e131(3, bytes(slots), sequence=turn), to=group(3))
    found = judge(capture, tmp_path, HOUSE + universes(3))
    if raised:
        assert found.only("short-frame")["summary"].endswith("carries 0 slots, so that it holds no levels at all.")
    else:
        assert found.rules() == []


@pytest.mark.parametrize("both", [False, True])
def test_frames_in_two_groups_in_turn(tmp_path: Path, both: bool) -> None:
    # E1.31-2018 9.3.1: a universe has one group. Its receivers get what goes there: every second frame, or each
    capture = Capture()
    for turn in range(400):
        packet = e131(3, bytes([turn * 5 % 250]) * 64, sequence=turn)
        for number in (3, 4) if both else (3 + turn % 2,):
            capture.put(turn / 40 + number / 1000, packet, to=group(number))
    found = judge(capture, tmp_path, HOUSE + universes(3))
    if both:
        assert "wrong-group" not in found.rules()
    else:
        assert found.only("wrong-group")["summary"].endswith(
            "some frames are sent to the group of universe 4. Receivers of its own group do not get them."
        )
