"""Numbers of the rules about levels against what is hung."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from slotwatch.house.schema import Circuit, Fixture, House, Phase
from slotwatch.snapshot import Incident, Severity
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import END_S, FROM_S, Play, desk
from tests.judge.cases_patch import LAMPS, blinks, held, jump, look, nod
from tests.judge.moved import Moved, Rules, is_raised, plays, says, twice
from tests.judge.stage import Desk, Stage, house_of
from tests.judge.test_lights import BLINDER, CIRCUITS, LED, MOVER, RELAY, U1, levels_of, rig
from tests.judge.test_lights_left_on import HOUSE as DARK


def strays(own: int, other: int) -> Callable[[], Play]:
    """Levels on e131/1 of slots that both universes' patches use, and of slots that only e131/2 uses."""
    slots = {201 + n: 100.0 for n in range(other)} | {1 + n: 100.0 for n in range(own)}
    return lambda: [desk(levels=levels_of(lambda t: slots if t >= 1.0 else {})), desk(2, (2,))]


def two_patches(shared: int = 0) -> House:
    """Twenty slots of e131/1, twenty others of e131/2, and so many that both use."""
    other = UniverseId(Protocol.E131, 2)
    fixtures = tuple(Fixture(f"A{n}", U1, 1 + n, ("intensity",)) for n in range(20))
    fixtures += tuple(Fixture(f"B{n}", other, 201 + n, ("intensity",)) for n in range(20))
    fixtures += tuple(Fixture(f"C{n}", other, 1 + n, ("intensity",)) for n in range(shared))
    return replace(house_of((1, 2), min_refresh_hz=5), fixtures=fixtures)


TWO_CIRCUITS = replace(
    rig(LED, replace(LED, name="102", address=111, circuit="5")),
    circuits=(*CIRCUITS, Circuit("5", "Rack 1", 5, "switched", 100, "switched")),
)


def two_cues(apart_s: float) -> Callable[[], Play]:
    """Circuit 2 goes off at FROM_S and circuit 5 so long after, with light called on both."""
    lit = {101: 200.0, 111: 200.0}
    return look(
        lambda t: lit | {2: 0.0, 5: 255.0 if t < FROM_S + apart_s else 0.0}, lambda t: lit | {2: 255.0, 5: 255.0}
    )


FITS = says("The levels fit the patch of e131/2")


def fits(parameter: str, value: float, under: Callable[[], Play], over: Callable[[], Play], shared: int = 0) -> Moved:
    return Moved("stray-levels", parameter, value, plays(two_patches(shared), under, over, 8.0), FITS)


def relay(parameter: str, value: float, under: Callable[[], Play], over: Callable[[], Play], until_s: float) -> Moved:
    return Moved("non-dim-partial", parameter, value, plays(rig(RELAY), under, over, until_s))


def silent_after(seconds: float) -> Callable[[], Play]:
    """A desk that puts a relay's slot to a partial level at FROM_S and falls silent so long after."""
    levels = levels_of(lambda t: {2: 100} if t >= FROM_S else {})
    return lambda: [desk(levels=levels, hz=20.0, to_s=FROM_S + seconds)]


def creeping(step: int) -> Callable[[], Play]:
    """A relay's slot that makes one step of so many at FROM_S and stays."""
    return look(lambda t: {2: 100 + step}, lambda t: {2: 100} if t > 3.0 else {})


def left_on(parameter: str, value: float, under: dict[int, float], over: dict[int, float], until_s: float) -> Moved:
    """Lights in the dark, with the shorter times that test_lights_left_on has where they are not moved."""

    def play(rules: Rules, is_over: bool) -> Sequence[Incident]:
        own = next(rule for rule in rules if rule.name == "lights-left-on")
        times = {"held_s": 4.0, "warning_s": 10.0}
        kept = {name: seconds for name, seconds in times.items() if getattr(own.parameters, name) in (600.0, 3600.0)}
        short = tuple(rule.changed(**kept) if rule is own else rule for rule in rules)
        lit = levels_of(lambda t: (over if is_over else under) if t >= 1.0 else {})
        stage = Stage(DARK, Desk("Desk A", (1,), hz=10.0, levels=lit), phase=Phase.DARK, rules=short, every_tick=True)
        return stage.run(until_s + (1.0 if is_over else -1.0)).all

    tells = (
        (lambda found: any(one.severity > Severity.NOTE for one in found)) if parameter == "warning_s" else is_raised
    )
    return Moved("lights-left-on", parameter, value, play, tells)


PATCH = [
    left_on("lit_percent", 20.0, {102: 51}, {102: 52}, 7.0),
    left_on("held_s", 7.0, {102: 255}, {102: 255}, 8.5),
    left_on("warning_s", 14.0, {102: 255}, {102: 255}, 15.5),
    fits("fit_slots", 15, strays(0, 14), strays(0, 15)),
    fits("own_fit_ratio", 0.2, strays(4, 15), strays(3, 15), shared=5),
    fits("other_fit_ratio", 0.5, strays(11, 10), strays(10, 10)),
    fits("covered_ratio", 0.6, strays(0, 11), strays(0, 12)),
    relay("low_percent", 20.0, look(lambda t: {2: 50}), look(lambda t: {2: 51}), 7.0),
    relay("high_percent", 60.0, look(lambda t: {2: 154}), look(lambda t: {2: 153}), 7.0),
    relay(
        "dwell_s", 4.0, look(lambda t: {2: 100}, to_s=FROM_S + 3.8), look(lambda t: {2: 100}, to_s=FROM_S + 4.3), 10.0
    ),
    relay("creep_steps", 8, creeping(8), creeping(9), FROM_S + 4.0),
    # Levels stop coming so long before the dwell of 2 s is over.
    relay("keep_alive_s", 0.5, silent_after(1.4), silent_after(1.6), FROM_S + 2.4),
    Moved(
        "non-dim-partial",
        "creep_dwell_s",
        5.0,
        plays(rig(RELAY), *twice(creeping(2)), (FROM_S + 4.8, FROM_S + 5.3)),
    ),
    Moved(
        "powered-off",
        "together_s",
        0.4,
        plays(TWO_CIRCUITS, two_cues(0.3), two_cues(0.6), FROM_S + 8.0),
        lambda incidents: len(incidents) > 1,
    ),
    Moved(
        "powered-off",
        "switched_on_level",
        200,
        plays(
            rig(LED),
            look(lambda t: {2: 200, 101: 200}, lambda t: {2: 255, 101: 200}),
            look(lambda t: {2: 199, 101: 200}, lambda t: {2: 255, 101: 200}),
            FROM_S + 6.0,
        ),
    ),
    Moved(
        "glare-held",
        "bright_percent",
        50.0,
        plays(rig(BLINDER), look(lambda t: {201: 127}, to_s=80.0), look(lambda t: {201: 128}, to_s=80.0), 68.0),
    ),
    Moved(
        "glare-held",
        "held_s",
        20.0,
        plays(
            rig(BLINDER),
            look(lambda t: {201: 205}, to_s=FROM_S + 19.0),
            look(lambda t: {201: 205}, to_s=FROM_S + 21.5),
            30.0,
        ),
    ),
    Moved(
        "fine-stuck",
        "moves",
        10,
        plays(
            rig(MOVER),
            look(nod(9), lambda t: {401: 80, 402: 7}, to_s=60.0),
            look(nod(11), lambda t: {401: 80, 402: 7}, to_s=60.0),
            19.0,
        ),
    ),
    Moved(
        "fine-swapped",
        "moves",
        5,
        plays(
            rig(MOVER),
            look(jump(4), lambda t: {401: 0, 402: 7}, to_s=60.0),
            look(jump(6), lambda t: {401: 0, 402: 7}, to_s=60.0),
            14.0,
        ),
    ),
    Moved(
        "level-stuck",
        "dark_s",
        0.6,
        plays(house_of((1,), min_refresh_hz=5, shared=True), blinks(0.2, 0.7), blinks(0.2, 0.4), FROM_S + 14.0),
    ),
    Moved(
        "level-stuck",
        "most_slots",
        20,
        plays(house_of((1,), min_refresh_hz=5, shared=True), held(21, END_S), held(20, END_S), FROM_S + 12.0),
    ),
]


def lamps(first: int, second: int) -> Callable[[], Play]:
    """Levels of two lamps of 2 kW: at 230 V 8.70 A each, and current goes with the level to the 0.6."""
    return look(lambda t: {1: first, 4: second}, to_s=60.0)


def each_second(coarse: int, fine: int) -> Callable[[], Play]:
    """A 16-bit pair whose coarse slot goes up and down once a second, and whose fine slot steps onward."""

    def at(t: float) -> dict[int, float]:
        second = int(t - FROM_S + 0.5)
        return {401: 60 + coarse * (second % 2), 402: 7 + fine * second}

    return look(at, lambda t: {401: 60, 402: 7}, to_s=60.0)


def pair(rule: str, parameter: str, value: float, under: Callable[[], Play], over: Callable[[], Play]) -> Moved:
    seconds = 26.0 if rule == "fine-stuck" else 13.0
    return Moved(rule, parameter, value, plays(rig(MOVER), under, over, FROM_S + seconds))


LOADS = [
    Moved("way-overload", "over_ratio", 1.05, plays(rig(LAMPS[0]), lamps(239, 0), lamps(242, 0), FROM_S + 11.0)),
    Moved("supply-overload", "over_ratio", 1.2, plays(rig(*LAMPS), lamps(122, 255), lamps(131, 255), FROM_S + 11.0)),
    pair("fine-stuck", "small_move", 40, each_second(41, 0), each_second(40, 0)),
    pair("fine-swapped", "jump", 100, each_second(99, 1), each_second(100, 1)),
    pair("fine-swapped", "creep", 10, each_second(64, 11), each_second(64, 10)),
    pair("fine-swapped", "fine_move", 2, each_second(64, 3), each_second(64, 2)),
    # By its profile 0.5 to 18 Hz: 9.94 Hz at 138, 10.08 Hz at 140.
    Moved(
        "flash-rate",
        "strobe_hz",
        10.0,
        plays(
            rig(Fixture("S1", U1, 201, ("intensity", "strobe"), "strobe", faces_audience=True)),
            look(lambda t: {201: 255, 202: 138}),
            look(lambda t: {201: 255, 202: 140}),
            FROM_S + 3.0,
        ),
    ),
]
