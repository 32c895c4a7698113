"""Each rule that compares a stream's columns: just under, just over, recovers, flaps, no data.

The limits are the published numbers; those that have a clause name it in the rule table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from slotwatch.judge.catalog import CATALOG, RULES
from slotwatch.judge.rule import Rule
from slotwatch.snapshot import Severity
from tests.judge.stage import START_NS, Desk, Packet, S, Stage, e131, group_of, house_of, moving, still
from tests.judge.still import Still, one_stream
from tests.sweep import swept

WELL: dict[str, Any] = {
    "frames_5s": 200,
    "stepped_5s": 200,
    "frames_10s": 400,
    "lost_10s": 0,
    "discarded_10s": 0,
    "uneven_10s": 0,
    "lost_of_last_10": 0,
    "copies_5s": 0,
    "packets_5s": 200,
    "sequence_stuck": False,
    "sequence_step": 1,
    "sequence_measurable": True,
    "slots": 512,
    "equal_frames": 0,
    "moving_known_s": 0.0,
    "best_moving_hz": 40.0,
}


@dataclass(frozen=True)
class Row:
    rule: str
    under: dict[str, Any]
    over: dict[str, Any]
    always: dict[str, Any] = field(default_factory=dict)
    settle_s: float = 0.0
    """Time that the condition itself needs after the columns changed."""
    severity: Severity = Severity.WARNING
    label: str = ""


ROWS = [
    # 20 Hz, in windows that may be 100 ms short: 97 frames and the one being filled in 4.9 s are 20 Hz.
    Row("slow-refresh", {"frames_5s": 97, "stepped_5s": 97}, {"frames_5s": 96, "stepped_5s": 96}, label="20 Hz"),
    Row(
        "slow-refresh",
        {"frames_5s": 117, "stepped_5s": 117},
        {"frames_5s": 116, "stepped_5s": 116},
        {"moving_known_s": 30.0},
        label="60 % of its norm of 40 Hz",
    ),
    # 60 % of 44.1 Hz, which 512 slots allow (ANSI E1.11), whatever came of two senders in one name.
    Row(
        "slow-refresh",
        {"frames_5s": 129, "stepped_5s": 129},
        {"frames_5s": 128, "stepped_5s": 128},
        {"moving_known_s": 30.0, "best_moving_hz": 80.0},
        label="60 % of what DMX512 carries",
    ),
    Row(
        "slow-refresh",
        {"frames_5s": 75, "stepped_5s": 59},
        {"frames_5s": 75, "stepped_5s": 60},
        label="80 % of frames step",
    ),
    # 44.1 Hz + 5 % = 46.3 Hz (DMX512 timing of ANSI E1.11: 22,676 µs for 512 slots).
    Row("fast-refresh", {"frames_5s": 232}, {"frames_5s": 233}, label="512 slots"),
    # 1 / max(1204, 104 + 44 * 101) µs = 219.9 Hz at 100 slots; + 5 % = 230.9 Hz.
    Row("fast-refresh", {"frames_5s": 1155}, {"frames_5s": 1157}, {"slots": 100}, label="100 slots"),
    Row("uneven-refresh", {"uneven_10s": 2}, {"uneven_10s": 3}),
    Row(
        "packet-loss",
        {"lost_10s": 4, "frames_10s": 396},
        {"lost_10s": 5, "frames_10s": 395},
        label="5 frames, over 1 %",
    ),
    Row(
        "packet-loss",
        {"lost_10s": 10, "frames_10s": 990, "median_interval_ns": 10_000_000},
        {"lost_10s": 11, "frames_10s": 989, "median_interval_ns": 10_000_000},
        label="1 %",
    ),
    Row(
        "packet-loss",
        {"lost_10s": 2, "lost_of_last_10": 2, "frames_10s": 398},
        {"lost_10s": 3, "lost_of_last_10": 3, "frames_10s": 397},
        label="3 of the last 10",
    ),
    Row("out-of-order", {"discarded_10s": 4}, {"discarded_10s": 5}, severity=Severity.NOTE),
    Row("sequence-unusable", {"sequence_step": 1}, {"sequence_stuck": True}, label="does not move"),
    Row("sequence-unusable", {"sequence_step": 1}, {"sequence_step": 255}, label="runs backwards"),
    Row("sequence-unusable", {"sequence_step": 2}, {"sequence_step": 3}, label="steps"),
    Row("repeated-packets", {"copies_5s": 40}, {"copies_5s": 41}),
]
IDS = [f"{row.rule} {row.label}".strip() for row in ROWS]


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_just_under_is_healthy(row: Row) -> None:
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL).run(12.0, **{**WELL, **row.always, **row.under})
    assert still.reported == []


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_just_over_is_reported_in_time(row: Row) -> None:
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL)
    since_ns = still.now_ns
    still.run(1.0, **{**WELL, **row.always, **row.over})
    (incident,) = still.reported
    assert (incident.rule, incident.severity) == (row.rule, row.severity)
    assert incident.opened_ns - since_ns <= (CATALOG[row.rule].on_delay_s + 0.1) * S
    assert incident.universes == ("e131/1",)
    assert incident.sources == ("Desk A",)
    assert '"Desk A" (10.0.0.1)' in incident.summary
    assert incident.evidence
    assert incident.next_checks


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_recovery_closes_it_after_the_off_delay(row: Row) -> None:
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL).run(2.0, **{**WELL, **row.always, **row.over})
    since_ns = still.now_ns
    still.run(12.0, **WELL)
    (incident,) = still.reported
    assert incident.closed_ns is not None
    off_s = CATALOG[row.rule].off_delay_s
    assert off_s - 0.1 <= (incident.closed_ns - since_ns) / S <= off_s + 0.2


@pytest.mark.parametrize("row", swept(ROWS, every=4), ids=IDS)
def test_coming_and_going_is_one_incident_that_flaps(row: Row) -> None:
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL)
    for _ in range(5):
        still.run(2.0, **{**WELL, **row.always, **row.over}).run(3.0, **WELL)
    (incident,) = still.reported
    assert incident.closed_ns is None
    assert incident.flaps == 4
    assert "comes and goes" in incident.summary
    assert incident.returned_ns is not None
    assert incident.next_checks == CATALOG["flapping"].next_checks, "what to look at also while it is back"
    still.run(2.0, **{**WELL, **row.always, **row.over})
    assert still.reported[0].next_checks[:-1] and still.reported[0].next_checks[-1:] == CATALOG["flapping"].next_checks
    still.run(53.0, **WELL)
    assert still.reported[0].closed_ns is None, "flapping stays open for a minute of calm"
    still.run(15.0, **WELL)
    assert still.reported[0].closed_ns is not None


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_no_data_at_all_raises_nothing_of_this_kind(row: Row) -> None:
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL)
    still.streams.live[:] = False
    still.silent.add(0)
    zero = {name: 0 for name in WELL if name not in ("sequence_measurable", "slots")}
    still.run(2.0, **zero)
    assert still.of(row.rule) == []


def two_streams(rules: Sequence[Rule] = RULES) -> Still:
    """Two universes of one source, which is one incident where both break a rule."""
    house = house_of((1, 2))
    octets = [e131(number, 0, bytes([50]) * 512, cid=b"\x01" * 16, name="Desk A") for number in (1, 2)]
    return Still(house, *(Packet(0.0, data, "10.0.0.1", group_of(n)) for n, data in enumerate(octets, 1)), rules=rules)


def of_each(row: Row, first: bool, second: bool) -> dict[str, Any]:
    """The columns of both streams, each in order or over the limit."""
    well, over = {**WELL, **row.always}, {**WELL, **row.always, **row.over}
    well |= {name: WELL[name] for name in row.over if name in WELL}
    well |= {name: value for name, value in over.items() if name not in WELL}
    return {name: [(over if one else well)[name] for one in (first, second)] for name in over}


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_a_universe_that_is_well_again_leaves_an_open_incident(row: Row) -> None:
    """The words are of what is still at fault; the record keeps what was; it is over with the last of them."""
    still = two_streams()
    still.run(7.0, **of_each(row, False, False)).run(1.0, **of_each(row, True, True))
    (incident,) = still.reported
    assert incident.universes == ("e131/1", "e131/2") and incident.rule == row.rule
    still.run(12.0, **of_each(row, False, True))
    (incident,) = still.reported
    assert (incident.closed_ns, incident.universes) == (None, ("e131/1", "e131/2"))
    assert "e131/2" in incident.summary and "e131/1" not in incident.summary
    assert not any("e131/1" in text for text in incident.evidence)
    still.run(12.0, **of_each(row, False, False))
    (incident,) = still.reported
    assert incident.closed_ns is not None


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_a_universe_that_leaves_the_house_leaves_the_incident_to_the_others(row: Row) -> None:
    """A reload takes one away and its sender stops: the incident continues with the other."""
    still = two_streams()
    still.run(7.0, **of_each(row, False, False)).run(1.0, **of_each(row, True, True))
    house = house_of((2,))
    still.model.take_house(house)
    still.judge.take_house(house, still.now_ns)
    still.streams.live[0] = False
    still.silent.add(0)
    still.streams.last_frame_ns[0] = still.streams.last_arrival_ns[0] = still.now_ns
    still.run(1.5, **of_each(row, True, True)).run(12.0, **of_each(row, False, True))
    (incident,) = (one for one in still.reported if one.rule == row.rule)
    assert incident.closed_ns is None
    assert "e131/2" in incident.summary and "e131/1" not in incident.summary


def test_idle_time_inside_the_window_is_no_slow_refresh() -> None:
    """A second of movement, three of rest, a second of movement: the mean is low, the sender is well."""
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL)
    for _ in range(6):
        still.run(3.0, **{**WELL, "frames_5s": 85, "stepped_5s": 80, "equal_frames": 3})
        still.run(1.0, **{**WELL, "frames_5s": 85, "stepped_5s": 80, "equal_frames": 0})
    assert still.reported == []


def test_steps_of_a_chase_sent_on_change_are_no_slow_refresh() -> None:
    """Under 5 Hz frames are steps; common practice, no source."""
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL).run(12.0, **{**WELL, "frames_5s": 20, "stepped_5s": 20})
    assert still.reported == []


def test_numbers_that_jump_are_no_loss() -> None:
    """A restart with another number: 100 are 'missing' and there was no time to send them."""
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL).run(10.0, **{**WELL, "lost_10s": 100, "lost_of_last_10": 10})
    assert still.reported == []


def test_loss_explains_the_gaps_that_it_makes() -> None:
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL)
    still.run(3.0, **{**WELL, "lost_10s": 40, "frames_10s": 360, "uneven_10s": 4})
    (incident,) = still.reported
    assert incident.rule == "packet-loss"
    assert incident.explains == (("uneven-refresh", ("e131/1",)),)


def began_s(stage: Stage, rule: str) -> float:
    return (stage.rule(rule).began_ns - START_NS) / S


def test_what_looks_back_began_with_the_last_good_frame() -> None:
    """On the wire: 19 Hz from 10.0 s; every tenth frame missing from 6.0 s; a gap of 150 ms each second from 6.0 s."""
    fast = Desk("Desk A", (1,), hz=40.0, levels=moving(), to_s=10.0)
    slow = Desk("Desk A", (1,), hz=19.0, levels=moving(hz=19.0), from_s=10.0, sequence_of=lambda u, i: 400 + i)
    assert 9.6 <= began_s(Stage(house_of((1,)), fast, slow, every_tick=True).run(17.0), "slow-refresh") <= 10.1

    lossy = Desk("Desk A", (1,), levels=moving(), drop=lambda u, i, t: t >= 6.0 and i % 10 == 0)
    assert 5.9 <= began_s(Stage(house_of((1,)), lossy, every_tick=True).run(9.0), "packet-loss") <= 6.2

    def pauses(universe: int, index: int, t: float) -> bool:
        return t >= 6.0 and t % 1.0 < 0.15

    stutters = Desk("Desk A", (1,), levels=moving(), drop=pauses, sequence_of=_without_pauses)
    assert 5.9 <= began_s(Stage(house_of((1,)), stutters, every_tick=True).run(10.0), "uneven-refresh") <= 6.1


@pytest.mark.parametrize("hz", [19.0, 15.0, 10.0, 6.0])
def test_however_slow_it_became_it_began_with_its_last_timely_frame(hz: float) -> None:
    """The mean of 5 s falls under the limit while seconds of them are still fast: they do not belong to the fault."""
    fast = Desk("Desk A", (1,), hz=40.0, levels=moving(), to_s=10.0)
    slow = Desk("Desk A", (1,), hz=hz, levels=moving(hz=hz), from_s=10.0, sequence_of=lambda u, i: 400 + i)
    assert 9.95 <= began_s(Stage(house_of((1,)), fast, slow, every_tick=True).run(16.0), "slow-refresh") <= 10.05


def test_slower_than_its_own_norm_began_with_its_last_timely_frame() -> None:
    """25 Hz after 40 s at 44 Hz: over the limit of 20 Hz, under 60 % of what it was (26.4 Hz)."""
    fast = Desk("Desk A", (1,), hz=44.0, levels=moving(hz=44.0), to_s=40.0)
    slow = Desk("Desk A", (1,), hz=25.0, levels=moving(hz=25.0), from_s=40.0, sequence_of=lambda u, i: 1760 + i)
    assert 39.95 <= began_s(Stage(house_of((1,)), fast, slow, every_tick=True).run(46.0), "slow-refresh") <= 40.05


@pytest.mark.parametrize("hz", [48.0, 60.0, 200.0])
def test_too_fast_began_with_the_last_frame_in_time(hz: float) -> None:
    well = Desk("Desk A", (1,), hz=40.0, levels=moving(), to_s=10.0)
    fast = Desk("Desk A", (1,), hz=hz, levels=moving(hz=hz), from_s=10.0, sequence_of=lambda u, i: 400 + i)
    assert 9.9 <= began_s(Stage(house_of((1,)), well, fast, every_tick=True).run(16.0), "fast-refresh") <= 10.05


def test_a_gap_of_lost_frames_began_with_the_frame_before_it() -> None:
    """They are only counted when the next frame comes, two seconds later."""
    lossy = Desk("Desk A", (1,), levels=moving(), drop=lambda u, i, t: 6.0 <= t < 8.0)
    assert 5.9 <= began_s(Stage(house_of((1,)), lossy, every_tick=True).run(9.0), "packet-loss") <= 6.0


def _without_pauses(universe: int, index: int) -> int:
    """Number frames as a sender does that pauses for six frames a second from 6.0 s: none of them is missing."""
    return index - sum(1 for at in range(240, index) if at % 40 < 6)


def test_too_fast_began_with_the_window() -> None:
    """At 200 Hz the window holds more frames than are remembered separately."""
    for hz in (60.0, 200.0):
        shown = Stage(house_of((1,)), Desk("Desk A", (1,), hz=hz, levels=moving(hz=hz)), every_tick=True).run(6.0)
        assert began_s(shown, "fast-refresh") <= 0.1


def test_numbers_that_jump_are_no_loss_once_the_stream_is_faster() -> None:
    """Fifteen numbers are passed over within one interval: at 25 Hz, and at the 60 Hz that follow, none was sent."""
    before = Desk("Desk A", (1,), hz=25.0, levels=moving(hz=25.0), to_s=15.8)
    after = Desk("Desk A", (1,), hz=60.0, levels=moving(hz=60.0), from_s=15.8, sequence_of=lambda u, i: 410 + i)
    shown = Stage(house_of((1,)), before, after).run(40.0)
    assert "packet-loss" not in [one.rule for one in shown.all]


@pytest.mark.parametrize("hz", [40.0, 100.0])
def test_frames_that_are_lost_as_a_stream_becomes_faster_are_found(hz: float) -> None:
    """A desk at rest (E1.31 6.6.2: a frame a second) begins to move, and one gap of half a second swallows frames."""
    rest = Desk("Desk A", (1,), hz=1.0, levels=still(), to_s=15.0)
    lost = Desk(
        "Desk A",
        (1,),
        hz=hz,
        levels=moving(hz=hz),
        from_s=15.0,
        sequence_of=lambda u, i: 15 + i,
        drop=lambda u, i, t: 15.5 <= t < 16.0,
    )
    assert "packet-loss" in [one.rule for one in Stage(house_of((1,)), rest, lost).run(30.0).all]
