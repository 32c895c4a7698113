"""The rig check: what rose alone, what rose together, what is left by position, and over a restart."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from slotwatch.edge.shared.files import load_house
from slotwatch.edge.shared.shipped import directory
from slotwatch.house.schema import DeclaredUniverse, Fixture, House
from slotwatch.judge.judge import Judge
from slotwatch.judge.orders import ChangeLamp, ChangeRigCheck, Restore, Restored
from slotwatch.model.lightplan import LightPlan
from slotwatch.model.rigcheck import RigCheck
from slotwatch.views.records import lamp_hours_of, rig_check_of, rig_check_record
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import START_NS, WALL_OFFSET_NS, Desk, Node, Stage

S = 1_000_000_000
U1 = UniverseId(Protocol.E131, 1)


def house(*more: Fixture) -> House:
    fixtures = tuple(
        Fixture(f"L{n}", U1, n, ("intensity",), position=f"Bar {n % 2}", circuit=str(n)) for n in range(1, 9)
    )
    return House(universes=(DeclaredUniverse(U1),), fixtures=(*fixtures, *more))


class Hand:
    """A desk's hand: sets brightness of fixtures by number, looked at every 200 ms."""

    def __init__(self, one: House) -> None:
        self.plan = LightPlan(one)
        self.check = RigCheck(self.plan, 0)
        self.now_ns = 0
        self.known = np.ones(len(self.plan.bright_fixture), np.bool_)
        self.show()

    def show(self, *up: int, level: int = 255, looks: int = 4) -> Hand:
        brightness = np.zeros(len(self.known), np.uint8)
        brightness[list(up)] = level
        for _ in range(looks):
            self.now_ns += S // 5
            self.check.look(brightness, self.known, self.now_ns)
        return self


def test_one_after_another_is_done() -> None:
    hand = Hand(house())
    for number in range(8):
        hand.show(number)
    assert list(hand.check.done) == [f"L{n}" for n in range(1, 9)]
    assert not hand.check.left() and not hand.check.flagged


def test_left_is_listed_by_position() -> None:
    hand = Hand(house()).show(0).show(2)
    view = hand.check.row(0)
    assert [(row.position, [f.fixture for f in row.fixtures]) for row in view.left] == [
        ("Bar 0", ["L2", "L4", "L6", "L8"]),
        ("Bar 1", ["L5", "L7"]),
    ]
    assert view.circuits_left == ("2", "4", "5", "6", "7", "8") and view.total == 8


@pytest.mark.parametrize(("level", "done"), [(76, 0), (77, 1)])
def test_thirty_percent_is_up(level: int, done: int) -> None:
    assert len(Hand(house()).show(0, level=level).check.done) == done


def test_two_at_once_are_done_and_flagged() -> None:
    check = Hand(house()).show(0, 1).check
    assert list(check.done) == ["L1", "L2"]
    assert check.flagged[0].text == "L1 and L2 came up together: doubled, plugged together, or two keys at once."


def test_fixtures_are_named_by_number_and_name_and_the_latest_risen_come_first() -> None:
    one = house()
    one = replace(one, fixtures=tuple(replace(f, label=f"Spot {f.address}") for f in one.fixtures))
    view = Hand(one).show(0).show(1, 2).show(3).show(4, 5).check.row(0)
    done = [(row.fixture.fixture, row.fixture.label) for row in view.done]
    assert done[:3] == [("L5", "Spot 5"), ("L6", "Spot 6"), ("L4", "Spot 4")] and done[-1] == ("L1", "Spot 1")
    assert [row.text.partition(" came")[0] for row in view.flagged] == [
        "L5 Spot 5 and L6 Spot 6",
        "L2 Spot 2 and L3 Spot 3",
    ]


def test_doubled_fixtures_rise_together_and_need_no_flag() -> None:
    twin = Fixture("L1b", U1, 1, ("intensity",))
    hand = Hand(house(twin))
    hand.show(0, 8)
    assert list(hand.check.done) == ["L1", "L1b"] and not hand.check.flagged


def test_a_cue_is_no_check() -> None:
    check = Hand(house()).show(0, 1, 2, 3, 4).check
    assert not check.done and not check.flagged


def test_what_was_up_before_it_began_must_rise_again() -> None:
    one = house()
    hand = Hand(one)
    hand.check = RigCheck(hand.plan, 0)
    hand.show(0)
    assert not hand.check.done
    hand.show().show(0)
    assert list(hand.check.done) == ["L1"]


def test_a_universe_that_comes_back_is_no_rise() -> None:
    hand = Hand(house())
    hand.show(0).show(0)
    hand.known[:] = False
    hand.show()
    hand.known[:] = True
    hand.show(0)
    assert list(hand.check.done) == ["L1"]


def test_survives_a_restart_as_plain_json() -> None:
    hand = Hand(house()).show(0).show(1, 2)
    kept = rig_check_of(json.loads(json.dumps(rig_check_record(hand.check.row(0)))))
    again = RigCheck.restored(hand.plan, kept, shift_ns=5 * S)
    assert again.done == {name: t + 5 * S for name, t in hand.check.done.items()}
    assert again.running and len(again.flagged) == 1 and again.started_ns == 5 * S
    with pytest.raises(ValueError, match="this is not a rig check"):
        rig_check_of({"running": True})


def test_survives_a_reload() -> None:
    hand = Hand(house()).show(0)
    hand.check.take_plan(LightPlan(replace(house(), fixtures=house().fixtures[:4])))
    assert [fixture.name for fixture in hand.check.left()] == ["L2", "L3", "L4"]


def demo_check(left_out: frozenset[str]) -> Stage:
    """A desk walks the demo house's rig, one fixture every 0.6 s, and leaves some out."""
    one = load_house(directory("config") / "harbour-street" / "house.toml")
    plan = LightPlan(one)
    walk = [one.fixtures[n] for n in plan.bright_fixture.tolist() if one.fixtures[n].name not in left_out]
    ends = np.append(plan.bright_starts, len(plan.bright))
    slots = {
        one.fixtures[n].name: plan.bright.slot[a:b]
        for n, (a, b) in zip(plan.bright_fixture.tolist(), pairwise(ends.tolist()), strict=True)
    }

    def levels(universe: UniverseId):  # type: ignore[no-untyped-def]
        def at(t: float) -> bytes:
            held = np.zeros(512, np.uint8)
            step, inside = divmod(t - 2.0, 0.6)
            if 0 <= step < len(walk) and inside < 0.4 and walk[int(step)].universe == universe:
                held[slots[walk[int(step)].name]] = 255
            return held.tobytes()

        return at

    senders: list[object] = [
        Desk("Desk A", (u.id.number,), hz=10, levels=levels(u.id))
        for u in one.universes
        if u.id.protocol == Protocol.E131
    ]
    senders += [
        Node((u.id.number,), hz=6, levels=levels(u.id), keep_alive_s=0.5)
        for u in one.universes
        if u.id.protocol == Protocol.ARTNET
    ]
    stage = Stage(one, *senders, joined=False)
    stage.run(1.0)
    stage.judge.command(ChangeRigCheck())
    return stage.run(2.0 + 0.6 * len(walk) + 2.0)


@pytest.mark.slow
def test_demo_house_names_exactly_the_seven_that_were_left_out() -> None:
    """Every light of three racks of 48 ways and 90 other fixtures is ticked, but the seven the desk left out."""
    seven = frozenset(("lamp-003", "lamp-050", "lamp-100", "batten-02", "strip-1", "spot-03", "lamp-020"))
    one = load_house(directory("config") / "harbour-street" / "house.toml")
    names = {fixture.name for fixture in one.fixtures if "non-dim" not in fixture.slots}
    seven = frozenset([*sorted(seven & names), *sorted(names - seven)][:7])
    stage = demo_check(seven)
    view = stage.judge.shown.rig_check(stage.model)
    assert view is not None
    assert {fixture.fixture for row in view.left for fixture in row.fixtures} == seven
    assert view.total == len(names) and len(view.done) == len(names) - 7


def test_commands_say_what_cannot_be_done() -> None:
    judge = Judge(house(), START_NS, WALL_OFFSET_NS)
    with pytest.raises(ValueError, match="nothing was judged yet"):
        judge.command(ChangeRigCheck())
    stage = Stage(House())
    stage.run(0.2)
    with pytest.raises(ValueError, match="no fixture with an intensity is patched"):
        stage.judge.command(ChangeRigCheck())
    with pytest.raises(ValueError, match="no rig check runs"):
        stage.judge.command(ChangeRigCheck(stop=True))
    with pytest.raises(ValueError, match="this house has no circuit 9"):
        stage.judge.command(ChangeLamp(circuit="9"))


def test_judge_restores_once_with_times_of_the_wall_clock() -> None:
    first = Stage(house(), Desk("A", (1,), levels=lambda t: bytes([255 if t > 2 else 0]) + bytes(511)))
    first.run(1.0)
    first.judge.command(ChangeRigCheck())
    first.run(4.0)
    shown = first.judge.shown.rig_check(first.model)
    assert shown is not None and [row.fixture.fixture for row in shown.done] == ["L1"]
    kept = rig_check_of(json.loads(json.dumps(rig_check_record(shown))))
    rows = first.model.stage.hours.rows()
    hours = tuple(lamp_hours_of(json.loads(json.dumps(row.as_object()))) for row in rows)
    assert hours
    again = Stage(house())
    assert again.judge.command(Restore(hours, kept)) == Restored(True)
    again.run(0.5)
    found = again.judge.shown.rig_check(again.model)
    assert found is not None and found.started_wall_ms == kept.started_wall_ms
    assert [row.fixture.fixture for row in found.done] == ["L1"]
    assert again.model.stage.hours.rows() == rows
    assert again.judge.command(Restore(hours)) == Restored(False)
    assert again.model.stage.hours.rows() == rows


def test_a_fixture_that_gave_no_light_is_marked_and_the_mark_is_kept() -> None:
    plan = LightPlan(house())
    check = RigCheck(plan, 0)
    first, second = (plan.fixtures[number].name for number in plan.bright_fixture[:2].tolist())
    check.done = {first: 5, second: 9}
    assert check.mark(first, 10, gives_light=False) == [first]
    view = check.row(0)
    assert [row.fixture.fixture for row in view.done] == [second, first], "the latest first"
    assert [row.no_light for row in view.done] == [False, True]
    again = RigCheck.restored(plan, rig_check_of(json.loads(json.dumps(rig_check_record(view)))), 100)
    assert again.no_light == {first: 110}
    assert again.mark(first, 120, gives_light=True) == []
    with pytest.raises(ValueError, match="no fixture ghost is patched"):
        check.mark("ghost", 1, gives_light=False)


def test_what_rises_again_comes_first_and_two_that_rise_together_again_are_said_once() -> None:
    """Who focuses goes back to a fixture; it is the one that is looked at then (common practice, no source)."""
    hand = Hand(house())
    hand.show(0).show(1).show(0).show(2, 3).show().show(2, 3)
    view = hand.check.row(0)
    assert [row.fixture.fixture for row in view.done] == ["L3", "L4", "L1", "L2"]
    assert [flag.fixtures for flag in view.flagged] == [("L3", "L4")]
    assert view.flagged[0].t_ns == hand.check.done["L3"], "at its newest time"


def test_what_a_person_saw_is_shown_though_nothing_rises_meanwhile() -> None:
    stage = Stage(house(), Desk("A", (1,), levels=lambda t: bytes([255 if t > 2 else 0]) + bytes(511)))
    stage.run(1.0)
    stage.judge.command(ChangeRigCheck())
    stage.run(4.0)

    def marked() -> list[str]:
        stage.run(0.5)
        shown = stage.judge.shown.rig_check(stage.model)
        assert shown is not None
        assert [row.no_light for row in shown.done] == [bool(shown.no_light)]
        return [row.fixture.fixture for row in shown.no_light]

    assert marked() == []
    stage.judge.command(ChangeRigCheck(no_light="L1"))
    assert marked() == ["L1"]
    stage.judge.command(ChangeRigCheck(light="L1"))
    assert marked() == []
