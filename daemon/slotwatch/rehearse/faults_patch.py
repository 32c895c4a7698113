"""Faults that need the declared fixtures, circuits and racks (F75 to F90): all as commanded, not as seen lit."""

from __future__ import annotations

import math
from collections.abc import Iterator

from slotwatch.rehearse.cast import main_desk, paper, second_desk, tool
from slotwatch.rehearse.looks import Look, changed_at, faded, fixed, flashed, held, patched
from slotwatch.rehearse.registry import scenario
from slotwatch.rehearse.scenario import Paper, Truth
from slotwatch.rehearse.stage import Item, mixed

ONE = ("e131/1",)
DARK = fixed(bytes(512))

PROFILES = """[[profiles]]
name = "dimmer"
slots = ["intensity"]

[[profiles]]
name = "switched-circuit"
slots = ["non-dim"]

[[profiles]]
name = "batten"
slots = ["intensity", "red", "green", "blue", "white", "strobe"]

[[profiles]]
name = "mover"
slots = ["intensity", "pan", "pan-fine", "tilt", "tilt-fine", "control"]

[[profiles]]
name = "blinder"
slots = ["intensity"]
"""

RACK = """[[racks]]
name = "Rack 1"
universe = "e131/1"
address = 1
ways = 12
volts = 230
supplies = 3
order = "in-turn"
way_limit_a = 10
supply_limit_a = 20
neutral_limit_a = 40
"""

HEAD = "fixture,universe,address,profile,circuit,faces_audience\n"


def lamps(first: int, last: int) -> str:
    return "".join(f"lamp {n},e131/1,{n},dimmer,,\n" for n in range(first, last + 1))


def loads(*rows: tuple[int, str, int]) -> str:
    """(way, module, watts) of circuits that are named after their way."""
    text = "circuit,rack,way,module,load_w,curve,limit_a\n"
    return text + "".join(f"{way},Rack 1,{way},{module},{watts},linear,10\n" for way, module, watts in rows)


def house(patch: str, more: str = "", circuits: str = "") -> Paper:
    return paper((1,), patch=HEAD + patch, circuits=circuits, extra=f"{PROFILES}\n{more}")


def at(*spots: tuple[int, Look]) -> Look:
    return patched(DARK, *spots)


def play(look: Look) -> Iterator[Item]:
    return main_desk((1,), lambda _: look).sends()


def level(value: int, slots: int = 1) -> Look:
    return held(value, slots)


SHOW_LAMPS = (1, changed_at((0, level(90, 24)), (4, level(120, 24)), (8, level(80, 24))))
"""Some ordinary life, so that the universe is not at rest all the time."""


@scenario(
    "F75",
    "slots that no fixture uses are above zero",
    24,
    Truth("stray-levels", 15.2, ONE, severity="note", began_s=10.0),
    house(lamps(1, 24)),
)
def stray_levels() -> Iterator[Item]:
    return play(at(SHOW_LAMPS, (100, changed_at((0, level(0, 4)), (10, level(200, 4))))))


@scenario(
    "F78",
    "a fixture's mode is longer than the list says: the desk moves the slots after its footprint",
    24,
    Truth("stray-levels", 15.2, ONE, severity="note", began_s=10.0),
    house("batten 1,e131/1,1,batten,,\nbatten 2,e131/1,21,batten,,\n"),
)
def mode_mismatch() -> Iterator[Item]:
    return play(at((1, level(120, 5)), (21, level(100, 5)), (27, changed_at((0, level(0, 3)), (10, level(90, 3))))))


@scenario(
    "F76",
    "two fixtures of the list overlap",
    10,
    Truth("patch-conflict", 0.1, ONE),
    house("batten 1,e131/1,1,batten,,\nlamp 1,e131/1,4,dimmer,,\n"),
)
def patch_overlap() -> Iterator[Item]:
    return play(at((1, level(120, 5))))


@scenario(
    "F77",
    "a fixture of the list runs past slot 512",
    10,
    Truth("patch-conflict", 0.1, ONE),
    house("batten 1,e131/1,1,batten,,\nbatten 2,e131/1,510,batten,,\n"),
)
def patch_past_512() -> Iterator[Item]:
    return play(at((1, level(120, 5))))


NON_DIM = lamps(1, 4) + "hot power,e131/1,5,switched-circuit,5,\n"


@scenario(
    "F80",
    "a non-dim load is parked at 40 % on a dimmer way",
    24,
    Truth("non-dim-partial", 12.2, ONE, severity="critical", began_s=10.0),
    house(NON_DIM, more=RACK, circuits=loads((5, "dimmer", 800))),
)
def non_dim_on_dimmer_way() -> Iterator[Item]:
    return play(at((1, level(100, 4)), (5, changed_at((0, level(255)), (10, level(102))))))


@scenario(
    "F80",
    "a switched circuit is parked at 40 %",
    24,
    Truth("non-dim-partial", 12.2, ONE, severity="warning", began_s=10.0),
    house(NON_DIM, more=RACK, circuits=loads((5, "switched", 800))),
)
def switched_circuit_parked() -> Iterator[Item]:
    return play(at((1, level(100, 4)), (5, changed_at((0, level(255)), (10, level(102))))))


@scenario(
    "F82",
    "battens are driven while the switched circuit that feeds them is off",
    24,
    Truth("powered-off", 15.2, ONE, began_s=10.0),
    house(
        "hot power,e131/1,5,switched-circuit,5,\nbatten 1,e131/1,101,batten,5,\nbatten 2,e131/1,111,batten,5,\n",
        more=RACK,
        circuits=loads((5, "switched", 800)),
    ),
)
def power_circuit_off() -> Iterator[Item]:
    power = changed_at((0, level(255)), (10, level(0)))
    return play(at((5, power), (101, level(200, 5)), (111, level(180, 5))))


@scenario(
    "F87",
    "a blinder that faces the audience flashes six times a second",
    24,
    Truth("flash-rate", 12.7, ONE, began_s=10.0),
    house("blinder 1,e131/1,1,blinder,,yes\n" + lamps(10, 20)),
)
def flashing_at_audience() -> Iterator[Item]:
    return play(at((10, level(90, 11)), (1, changed_at((0, level(0)), (10, flashed(6))))))


@scenario(
    "F89",
    "a way carries more than its limit at full: an estimate of 13 A on 10 A",
    34,
    Truth("way-overload", 20.3, ONE, began_s=10.0),
    house(lamps(1, 4), more=RACK, circuits=loads((1, "dimmer", 3000), (2, "dimmer", 500))),
)
def way_overloaded() -> Iterator[Item]:
    return play(at((1, changed_at((0, level(60)), (10, level(255)))), (2, level(100))))


@scenario(
    "F89",
    "three circuits of one supply line at full: an estimate of 26 A on 20 A",
    34,
    Truth("supply-overload", 20.3, ONE, began_s=10.0),
    house(lamps(1, 10), more=RACK, circuits=loads((1, "dimmer", 2000), (4, "dimmer", 2000), (7, "dimmer", 2000))),
)
def supply_overloaded() -> Iterator[Item]:
    up = changed_at((0, level(50)), (10, level(255)))
    return play(at((1, up), (4, up), (7, up)))


def _slow_move(t_s: float) -> float:
    """A pan value from 0 to 65535 that swings slowly."""
    return 32768 + 20000 * math.sin(t_s * 0.03)


def mover(order: str = "plain", fine: bool = True) -> Look:
    """A mover of six slots that pans slowly. order: swapped, where coarse and fine are exchanged."""

    def look(t_s: float) -> bytes:
        value = int(_slow_move(t_s))
        high, low = value >> 8, value & 0xFF if fine else 0
        pan = bytes((low, high)) if order == "swapped" else bytes((high, low))
        return b"\xc8" + pan + bytes((128, 0, 0))

    return look


def torn_mover() -> Look:
    whole = mover()

    def torn(t_s: float) -> bytes:
        frame = bytearray(whole(t_s))
        frame[1] = whole(t_s - 0.025)[1]  # the coarse slot comes a frame late
        return bytes(frame)

    return torn


MOVERS = "mover 1,e131/1,1,mover,,\nmover 2,e131/1,11,mover,,\n"


@scenario(
    "F83",
    "movers' coarse slots move and their fine slots never do",
    60,
    Truth("fine-stuck", 20.2, (), severity="note"),
    house(MOVERS),
)
def fine_stuck() -> Iterator[Item]:
    return play(at((1, mover(fine=False)), (11, mover(fine=False))))


@scenario(
    "F84",
    "coarse and fine are swapped: the coarse slot wraps again and again during a slow move",
    60,
    Truth("fine-swapped", 10.0, (), severity="note"),
    house(MOVERS),
)
def fine_swapped() -> Iterator[Item]:
    return play(at((1, mover("swapped")), (11, mover())))


@scenario(
    "F85",
    "torn pairs: for one frame coarse and fine do not belong together",
    60,
    Truth("torn-pair", 2.0, (), severity="note"),
    house(MOVERS),
)
def torn_pair() -> Iterator[Item]:
    return play(at((1, torn_mover()), (11, mover())))


@scenario(
    "F86",
    "in the blackout one slot stays up: a second source holds it",
    60,
    Truth("level-stuck", 21.0, (), severity="note", began_s=10.0),
    paper((1,), sources=("main", "second"), patch=HEAD + lamps(1, 24), extra=PROFILES, more={1: "shared = true\n"}),
)
def level_stuck_in_blackout() -> Iterator[Item]:
    main = main_desk((1,), lambda _: at((1, changed_at((0, level(180, 24)), (10, level(0, 24))))))
    return mixed(main.sends(), second_desk((1,), lambda _: at((7, level(120)))).sends())


@scenario(
    "F88",
    "a blinder that faces the audience is held at full",
    120,
    Truth("glare-held", 71.2, (), severity="note", began_s=10.0),
    house("blinder 1,e131/1,1,blinder,,yes\n" + lamps(10, 20)),
)
def glare_held() -> Iterator[Item]:
    return play(at((10, level(90, 11)), (1, changed_at((0, level(0)), (10, level(255))))))


@scenario(
    "F90",
    "a mover's control slot is left at a command",
    120,
    Truth("control-held", 21.0, (), severity="note", began_s=10.0),
    house(MOVERS),
)
def control_held() -> Iterator[Item]:
    return play(at((1, mover()), (6, changed_at((0, level(0)), (10, level(230))))))


@scenario(
    "F36",
    "a slow fade, and a second source on another slot of the same rack; each is meant to be the only source",
    30,
    Truth("source-conflict", 11.1, ONE, severity="critical", began_s=10.0, also=("unexpected-source",)),
    house(lamps(1, 24)),
)
def hold_from_unseen_tool() -> Iterator[Item]:
    fading = at((1, faded(0, 25, 20, 220, 24)))
    return mixed(play(fading), tool((1,), lambda _: at((3, level(150))), start_s=10.0).sends())
