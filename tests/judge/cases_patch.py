"""The table of levels against what is hung: each fault begins at FROM_S and ends at END_S."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from slotwatch.house.schema import Fixture
from slotwatch.snapshot import Severity
from tests.judge.cases import END_S, FROM_S, Case, Play, desk, while_
from tests.judge.stage import START_NS, S, Stage, house_of, still
from tests.judge.test_lights import BLINDER, LED, MOVER, RELAY, U1, levels_of, pan, rig

Slots = Callable[[float], dict[int, float]]
LAMPS = tuple(Fixture(str(n), U1, n, ("intensity",)) for n in (1, 4))
FLASHER = replace(BLINDER, slots=("intensity",))


def look(change: Slots, otherwise: Slots | None = None, to_s: float = END_S, hz: float = 20.0) -> Callable[[], Play]:
    """A desk with one look from FROM_S on for a time, and another before and after; all dark if none is given."""
    well: Slots = otherwise or (lambda t: {})

    def slots(t: float) -> dict[int, float]:
        return change(t) if FROM_S <= t < to_s else well(t)

    return lambda: [desk(levels=levels_of(slots), hz=hz)]


def flash(hz: float, high: float = 255) -> Slots:
    return lambda t: {201: high if math.sin(2 * math.pi * hz * (t - FROM_S)) >= 0 else 0}


def crossing(torn_times: int) -> Slots:
    """A slow move of pan that crosses a coarse step every 0.8 s, so often with its fine slot a frame late."""

    def at(t: float) -> dict[int, float]:
        now, before = int(20000 + 320 * (t - FROM_S)), int(20000 + 320 * (t - FROM_S - 0.025))
        torn = now >> 8 != before >> 8 and (now >> 8) - (20000 >> 8) <= torn_times
        return {401: now >> 8, 402: before & 255 if torn else now & 255}

    return at


def nod(looks: int) -> Slots:
    """The coarse slot goes up and down by one step each second, so often; the fine one does not move."""
    return lambda t: {401: 80 + min(looks, int(t - FROM_S + 0.5)) % 2, 402: 7}


def jump(looks: int) -> Slots:
    """The coarse slot jumps by a quarter each second, so often, and the fine one creeps."""
    return lambda t: {401: 64 * (min(looks, int(t - FROM_S + 0.5)) % 2), 402: 7 + min(looks, int(t - FROM_S + 0.5))}


def held(lit: int, to_s: float, hz: float = 10.0) -> Callable[[], Play]:
    """Desk A goes dark at FROM_S for a time, and Desk B keeps so many slots up all the while."""
    dims = while_(still(0), still(100), to_s=to_s)
    keeps = levels_of(lambda t: dict.fromkeys(range(1, lit + 1), 100.0))
    return lambda: [desk(levels=dims, hz=hz), desk(2, levels=keeps, hz=hz)]


def blinks(from_s: float, to_s: float) -> Callable[[], Play]:
    """Desk A is up for a part of each second from FROM_S on, and Desk B keeps a slot up all the while."""

    def blinking(t: float) -> bytes:
        return still(100)(t) if t < FROM_S or from_s <= t % 1.0 < to_s else still(0)(t)

    return lambda: [desk(levels=blinking, hz=20.0), desk(2, levels=levels_of(lambda t: {1: 100.0}), hz=20.0)]


def partial(under: Callable[[], Play], level: int, threshold: str) -> Case:
    """A relay at a level that is neither off nor on."""
    fault = look(lambda t: {2: level})
    return Case("non-dim-partial", rig(RELAY), under, fault, (2.0, 2.2), threshold, severity=Severity.WARNING)


def supply(under: Callable[[], Play], threshold: str) -> Case:
    """Two lamps on one supply."""
    return Case("supply-overload", rig(*LAMPS), under, look(lambda t: {1: 150, 4: 255}), (10.0, 10.3), threshold)


def stuck(under: Callable[[], Play], lit: int, threshold: str) -> Case:
    """Slots that another desk keeps up."""
    house = house_of((1,), min_refresh_hz=5, shared=True)
    return Case("level-stuck", house, under, held(lit, END_S), (10.0, 11.2), threshold, closes_s=(9.0, 11.2))


CASES = [
    Case(
        "stray-levels",
        rig(RELAY),
        look(lambda t: {512: 1}, to_s=FROM_S + 4.8),
        look(lambda t: {512: 1}),
        (5.0, 5.2),
    ),
    partial(look(lambda t: {2: 3}, to_s=FROM_S + 1.9), 3, "for two seconds"),
    partial(look(lambda t: {2: 2}), 3, "from 1 %"),
    partial(look(lambda t: {2: 253}), 252, "up to 99 %"),
    Case(
        "powered-off",
        rig(LED),
        look(lambda t: {2: 127, 101: 200}, lambda t: {2: 128, 101: 200}, to_s=FROM_S + 4.8),
        look(lambda t: {2: 127, 101: 200}, lambda t: {2: 128, 101: 200}),
        (5.0, 5.2),
    ),
    Case(
        "flash-rate",
        rig(FLASHER),
        look(flash(3.0)),
        look(flash(4.0)),
        # The seventh change of 4 Hz comes after 0.75 s or a little later, and two seconds follow.
        (2.7, 3.2),
        # A second without them, and the off-delay.
        closes_s=(9.9, 11.3),
    ),
    Case(
        "way-overload",
        rig(LAMPS[0]),
        # 2 kW at 230 V are 8.70 A, and current goes with the level to the 0.6 / 1.6; the limit is 8 A (+ 0.5 %).
        look(lambda t: {1: 255}, to_s=FROM_S + 9.8),
        look(lambda t: {1: 255}),
        (10.0, 10.3),
        "for ten seconds",
    ),
    supply(look(lambda t: {1: 150, 4: 255}, to_s=FROM_S + 9.8), "for ten seconds"),
    # Line 1 carries the one lamp alone: 8.7 A of 12 A.
    supply(look(lambda t: {4: 255}), "12 A"),
    Case(
        "fine-stuck",
        rig(MOVER),
        look(nod(19), lambda t: {401: 80, 402: 7}, to_s=60.0),
        look(nod(21), lambda t: {401: 80, 402: 9}, to_s=40.0),
        (19.0, 21.6),
        until_s=50.0,
        end_s=40.0,
        closes_s=(9.0, 11.3),
    ),
    Case(
        "fine-swapped",
        rig(MOVER),
        look(jump(9), lambda t: {401: 0, 402: 7}, to_s=30.0),
        look(jump(11), lambda t: {401: 0, 402: 90}, to_s=25.0),
        (9.0, 11.6),
        until_s=28.0,
        end_s=25.0,
        closes_s=(9.0, 11.3),
    ),
    Case(
        "torn-pair",
        rig(MOVER),
        look(crossing(2), lambda t: pan(20000), to_s=END_S, hz=40.0),
        look(crossing(3), lambda t: pan(20000), to_s=END_S, hz=40.0),
        # At 0.7, 1.5 and 2.3 s.
        (2.3, 3.4),
        # Three within a minute: it ends a minute after the first, and its off-delay follows.
        end_s=FROM_S + 0.7,
        closes_s=(69.0, 71.3),
    ),
    stuck(held(1, FROM_S + 9.0), 1, "for ten seconds"),
    # An effect that goes to zero each second, and is there whenever it is looked at.
    stuck(blinks(0.2, 0.6), 1, "at zero all the time"),
    # More slots than a few are a look of their own.
    stuck(held(49, END_S), 48, "48 slots"),
    Case(
        "glare-held",
        rig(BLINDER),
        look(lambda t: {201: 205}, to_s=FROM_S + 59.0),
        look(lambda t: {201: 205}, to_s=80.0),
        (60.0, 61.1),
        "for a minute",
        until_s=80.0,
        end_s=80.0,
        closes_s=(9.0, 11.2),
    ),
    Case(
        "control-held",
        rig(LED),
        look(lambda t: {103: 1}, to_s=FROM_S + 9.0),
        look(lambda t: {103: 1}),
        (10.0, 11.2),
        closes_s=(9.0, 11.2),
    ),
]


def pair_of(second_address: int) -> tuple[Fixture, Fixture]:
    return (
        Fixture("Par 1", U1, 1, ("intensity",) * 6, "par"),
        Fixture("Par 2", U1, second_address, ("intensity",) * 6, "par"),
    )


def test_patches_that_touch_and_that_overlap() -> None:
    """It is about the file, so it is raised without any data, and a house without a patch has none to doubt."""
    for second, rules in ((7, set()), (6, {"patch-conflict"})):
        shown = Stage(house_of((1,), fixtures=pair_of(second)), joined=False).run(2.0)
        assert {incident.rule for incident in shown.all} == rules
    assert Stage(house_of((1,)), joined=False).run(2.0).all == []


def test_fixtures_that_end_with_slot_512_and_that_run_past_it() -> None:
    for address, rules in ((507, []), (508, ["patch-conflict"])):
        shown = Stage(house_of((1,), fixtures=pair_of(address)), joined=False).run(2.0)
        assert [incident.rule for incident in shown.all] == rules


def test_a_patch_that_was_fixed_recovers() -> None:
    house = house_of((1,), fixtures=pair_of(6))
    shown = Stage(house, desk()).run(FROM_S)
    repaired = replace(house, fixtures=pair_of(7))
    shown.model.take_house(repaired)
    shown.judge.take_house(repaired, shown.now_ns)
    shown.run(FROM_S + 2)
    closed = [one.closed_ns for one in shown.all if one.rule == "patch-conflict"]
    assert len(closed) == 1 and closed[0] is not None and closed[0] - START_NS <= (FROM_S + 1.2) * S
