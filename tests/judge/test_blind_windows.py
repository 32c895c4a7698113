"""What this computer did not hear while it did not listen, or not judge, is not a fault of the show.

0.7 s is less than what the listener says of itself (1 s), so after it the record holds nothing at all.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import pytest

from slotwatch.house.schema import DeclaredSource, Fixture, House
from slotwatch.judge.blind_windows import LONGEST_MARK_NS, mark_ns
from slotwatch.judge.catalog import RULES
from slotwatch.judge.listener import STALL_NOTICED_NS, Listener
from slotwatch.judge.rule_state import all_states
from slotwatch.wire.observation import LineSeen, StallSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import START_NS, TICK_NS, Desk, Levels, Node, Packet, S, Stage, house_of, moving, still
from tests.judge.still import one_stream
from tests.judge.test_bridge import HOUSE, Tap, held
from tests.judge.test_flow_rules import IDS, ROWS, WELL, Row

DEAF_S = 0.7
FROM_S = 20.0
TO_S = FROM_S + DEAF_S


def stall(at_s: float, late_s: float = DEAF_S) -> StallSeen:
    return StallSeen(START_NS + round(at_s * S), round(late_s * S))


WINDOWS_S = {
    state.rule.name: state.binding.blind_window_s
    for state in reversed(all_states(HOUSE, RULES))
    if state.binding.blind_window_s
}
"""Of a rule with several, the first."""


# --- each rule that counts over a window ------------------------------------------------------------------


def test_the_rules_that_count_over_a_window_are_rules() -> None:
    assert {row.rule for row in ROWS} == set(WINDOWS_S) - {"line-faulty"}, "each is tried below"


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_nothing_is_reported_while_such_a_moment_lies_in_its_window_and_then_it_is(row: Row) -> None:
    stage = one_stream(house_of((1,)))
    stage.run(7.0, **WELL)
    stage.judge.observe(StallSeen(stage.now_ns, round(DEAF_S * S)))
    window_s = WINDOWS_S[row.rule]
    stage.run(window_s + DEAF_S / 2 - 0.1, **{**WELL, **row.always, **row.over})
    assert stage.reported == []
    stage.run(1.0, **{**WELL, **row.always, **row.over})
    assert [incident.rule for incident in stage.reported] == [row.rule], "late, and reported"


@pytest.mark.parametrize("row", ROWS, ids=IDS)
def test_what_is_reported_already_goes_on(row: Row) -> None:
    stage = one_stream(house_of((1,)))
    stage.run(7.0, **WELL).run(1.0, **{**WELL, **row.always, **row.over})
    stage.judge.observe(StallSeen(stage.now_ns, round(DEAF_S * S)))
    stage.run(30.0, **{**WELL, **row.always, **row.over})
    (incident,) = stage.reported
    assert (incident.rule, incident.closed_ns, incident.flaps) == (row.rule, None, 0)


def test_a_lines_faults_are_not_counted_over_it() -> None:
    """While nobody reads a serial port its kernel buffer overflows, and the octets around that are no whole frame."""
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=0, breaks=0))
    tap.run(2, held, held)
    tap.judge.observe(StallSeen(tap.now_ns, round(DEAF_S * S)))
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=500, breaks=60))
    tap.run(9.8, held, held)
    assert tap.rules() == []
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=600, breaks=90))
    tap.run(2.5, held, held)
    assert [incident.rule for incident in tap.rules()] == ["line-faulty"]


# --- 0.7 s without intake, with real packets --------------------------------------------------------------


@dataclass(frozen=True)
class Case:
    """A show that is well, and would not be if 0.7 s of it were the show's own."""

    name: str
    house: House
    senders: tuple[Any, ...]
    would_be: frozenset[str]
    """What is raised of the same packets where the listener had no stall."""


def pauses(universe: int, index: int, t: float) -> bool:
    """0.2 s without a frame, twice."""
    return any(at <= t < at + 0.2 for at in (15.0, 17.0))


MAIN = DeclaredSource("main desk", address="10.0.0.1", priority=100)
SPARE = DeclaredSource("spare desk", address="10.0.0.2", role="backup", priority=100)
BOTH = (MAIN, SPARE)
PAR = Fixture("Par 1", UniverseId(Protocol.E131, 1), 1, ("intensity",) * 512, "par")

CASES = [
    Case("40 Hz that moves", house_of((1,)), (Desk("A", (1,)),), frozenset({"packet-loss"})),
    Case(
        "just over the least rate",
        house_of((1,)),
        (Desk("A", (1,), hz=21.5, levels=moving(hz=21.5)),),
        # 0.7 s less make 18.5 Hz of it, but a silence of 0.3 s is a rest, so `slow-refresh` does not say so.
        frozenset({"packet-loss"}),
    ),
    Case(
        "two pauses of its own, where three are uneven",
        house_of((), artnet=(0,)),
        (Node((0,), levels=moving(), numbered=False, drop=pauses),),
        frozenset({"uneven-refresh"}),
    ),
    Case(
        "forty universes at rest and in motion",
        house_of(range(1, 41)),
        (Desk("A", tuple(range(1, 21)), hz=20.5), Desk("B", tuple(range(21, 41)), "10.0.0.2", 2, rests=True)),
        frozenset({"packet-loss"}),
    ),
    Case(
        "Art-Net on change", house_of((), artnet=(0, 1)), (Node((0, 1), levels=moving()),), frozenset({"packet-loss"})
    ),
    Case(
        "a main and its backup in step, sync and patch",
        house_of((1, 2), sources=BOTH, by=("main desk", "spare desk"), fixtures=(PAR,)),
        (Desk("A", (1, 2)), Desk("B", (1, 2), "10.0.0.2", 2)),
        frozenset({"packet-loss"}),
    ),
    Case("at rest on keep-alive", house_of((1,)), (Desk("A", (1,), levels=still(), rests=True),), frozenset()),
]


@dataclass
class Unheard:
    """Packets of others, without those that nobody listened for."""

    senders: Iterable[Any]
    from_s: float = FROM_S
    to_s: float = TO_S

    def packets(self, end_s: float) -> Iterator[Packet]:
        for sender in self.senders:
            yield from (one for one in sender.packets(end_s) if not self.from_s <= one.t_s < self.to_s)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_moment_without_intake_raises_nothing(case: Case) -> None:
    shown = Stage(case.house, Unheard(case.senders))
    shown.see(TO_S, stall(TO_S))
    assert shown.run(45.0).all == []


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_same_silence_of_the_show_itself_is_raised(case: Case) -> None:
    """So the test above is one: without the listener's word these packets are a fault."""
    assert {rule for rule, _ in Stage(case.house, Unheard(case.senders)).run(45.0).reported()} == case.would_be


def test_a_short_moment_in_which_nobody_held_the_sockets_raises_nothing() -> None:
    """150 ms are six frames at 40 Hz: a process that is started again is there no sooner than that."""
    senders = [Desk("A", (1, 2))]
    shown = Stage(house_of((1, 2)), Unheard(senders, to_s=FROM_S + 0.15))
    shown.see(FROM_S + 0.15, replace(stall(FROM_S + 0.15, 0.15), unheard=True))
    assert shown.run(45.0).all == []
    unknown = Stage(house_of((1, 2)), Unheard(senders, to_s=FROM_S + 0.15))
    assert {rule for rule, _ in unknown.run(45.0).reported()} == {"packet-loss"}


def test_a_longer_moment_is_the_listeners_own_fault_and_nobody_elses() -> None:
    """Over 1 s it is raised, as a fault of this computer."""
    shown = Stage(house_of((1, 2)), Unheard([Desk("A", (1, 2))], to_s=FROM_S + 1.6))
    shown.see(FROM_S + 1.6, stall(FROM_S + 1.6, 1.6))
    assert shown.run(45.0).reported() == [("host-overrun", "stall")]


@pytest.mark.parametrize("gaps_heard", [False, True])
def test_steps_that_nobody_heard_are_not_apart(gaps_heard: bool) -> None:
    """Each step falls into such a moment, so every universe shows it with its next keep-alive, 150 ms apart."""
    cues_s = [10, 19, 30, 38, 50, 57, 70]
    look: Levels = lambda t: bytes([bisect_right(cues_s, t) * 20 + 50]) * 512  # noqa: E731
    one = Desk("A", (1,), levels=look, rests=True)
    senders: Any = [one, Desk("A", (2,), levels=look, rests=True, keep_alive_s=0.75)]
    moments = [cue_s - 0.1 for cue_s in cues_s]
    for at_s in moments:
        senders = [Unheard(senders, at_s, at_s + DEAF_S)]
    shown = Stage(house_of((1, 2)), *senders)
    for at_s in moments if gaps_heard else ():
        shown.see(at_s + DEAF_S, stall(at_s + DEAF_S))
    skewed = [rule for rule, _ in shown.run(75.0).reported() if rule == "skewed-universes"]
    assert skewed == ([] if gaps_heard else ["skewed-universes"])


# --- delays run on without it -----------------------------------------------------------------------------


@pytest.mark.slow
def test_an_on_delay_does_not_count_it() -> None:
    """A conflict of 4.6 s is none (5 s), however long nobody listened in between."""
    for late_s, ends_s, wanted in (
        (DEAF_S, 24.9, []),
        (DEAF_S, 26.2, ["source-conflict"]),
        (0.0, 25.5, ["source-conflict"]),
    ):
        rival = Desk("B", (1,), "10.0.0.2", 2, levels=still(9), from_s=20.0, to_s=ends_s, terminate=True)
        senders = [Desk("A", (1,), levels=still(200)), rival]
        house = house_of((1,), sources=(MAIN, DeclaredSource("other", address="10.0.0.2", priority=100)))
        shown = Stage(house, Unheard(senders, 22.0, 22.0 + late_s))
        if late_s:
            shown.see(22.0 + late_s, stall(22.0 + late_s, late_s))
        found = [rule for rule, _ in shown.run(40.0).reported() if rule == "source-conflict"]
        assert found == wanted, (late_s, ends_s)


def test_the_listeners_own_rules_do_count_it() -> None:
    """A port whose cable is out is out, whoever listened."""
    assert all(rule.name not in WINDOWS_S for rule in RULES if rule.rule_class == "self")


# --- the arithmetic ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("late_ns", "marked_ns"),
    [(0, 0), (STALL_NOTICED_NS, STALL_NOTICED_NS // 2), (2 * S, S), (60 * S, LONGEST_MARK_NS)],
)
def test_marks_come_in_for_half_as_long_as_it_lasted(late_ns: int, marked_ns: int) -> None:
    assert mark_ns(late_ns) == marked_ns


def test_how_long_nobody_listened_since_a_moment() -> None:
    listener = Listener(START_NS)
    assert listener.stalled_ns(START_NS, START_NS + 60 * S) == 0
    for at_s, late_s in ((10.0, 2.0), (20.0, 0.1), (30.0, 1.0)):
        listener.observe(stall(at_s, late_s))
    seen = [
        listener.stalled_ns(START_NS + round(since_s * S), START_NS + 60 * S) / S for since_s in (0, 9, 11, 29.5, 31)
    ]
    assert seen == [3.0, 2.0, 1.0, 0.5, 0.0], "what is under 0.2 s costs nothing"
    assert TICK_NS < STALL_NOTICED_NS
