"""Faults of control: which source wins (F36 to F47)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from slotwatch.rehearse.cast import (
    CLONE,
    GATEWAY,
    OTHER_MEDIA,
    backup_desk,
    main_desk,
    media_server,
    moves,
    paper,
    second_desk,
    tool,
)
from slotwatch.rehearse.desk import Desk, cid_of, outputs
from slotwatch.rehearse.looks import changed_at, held, late, moving
from slotwatch.rehearse.packets import PREVIEW
from slotwatch.rehearse.registry import scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed

ONE = ("e131/1",)
MAIN_UNIVERSES = ("e131/1", "e131/2", "e131/3")
TWO_ON_ONE = paper((1,), sources=("main", "second"))


@scenario(
    "F36",
    "two desks send one universe at one priority with different levels",
    24,
    Truth("source-conflict", 10.1, ONE, severity="critical", began_s=5.0),
    TWO_ON_ONE,
)
def two_desks_one_priority() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), second_desk((1,), lambda _: held(200), start_s=5).sends())


@scenario(
    "F37",
    "three sources at one priority with different levels: more than many receivers merge",
    24,
    Truth("source-conflict", 6.2, ONE, severity="critical", began_s=5.0, also=("unexpected-source",)),
    TWO_ON_ONE,
)
def three_sources_one_priority() -> Iterator[Item]:
    other = second_desk((1,), lambda _: held(200), start_s=5)
    return mixed(main_desk((1,)).sends(), other.sends(), tool((1,), start_s=5).sends())


@scenario(
    "F36",
    "a test tool that nobody declared was left on at the desk's own priority",
    24,
    Truth("source-conflict", 11.1, ONE, severity="critical", began_s=10.0, also=("unexpected-source",)),
    paper((1,)),
)
def test_tool_left_on() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), tool((1,), start_s=10).sends())


@scenario(
    "F36",
    "two Art-Net controllers send one universe with different levels",
    24,
    Truth("source-conflict", 10.1, ("artnet/0",), severity="critical", began_s=5.0),
    paper((), (0,), sources=("media", "other-media")),
)
def two_art_net_controllers() -> Iterator[Item]:
    other = media_server((0,), lambda _: held(200), address=OTHER_MEDIA, start_s=5, keep_alive_s=1.0)
    return mixed(media_server((0,)).sends(), other.sends())


@scenario(
    "F38",
    "a visiting desk that nobody declared sends above the house's priority: all others have no effect",
    24,
    Truth("unexpected-source", 11.1, ONE, began_s=10.0),
    paper((1,)),
)
def stray_priority() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), tool((1,), priority=150, start_s=10).sends())


@scenario(
    "F38",
    "a declared source sends above its declared priority",
    24,
    Truth("unexpected-source", 6.2, ONE, began_s=5.0),
    TWO_ON_ONE,
)
def above_declared_priority() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), second_desk((1,), priority=120, start_s=5).sends())


@scenario(
    "F12",
    "a source that is not declared for a universe sends it at a lower priority",
    24,
    Truth("unexpected-source", 11.1, ONE, began_s=10.0),
    paper((1,)),
)
def undeclared_source() -> Iterator[Item]:
    return mixed(main_desk((1,)).sends(), tool((1,), priority=50, start_s=10).sends())


@scenario(
    "F39",
    "the backup takes over one step higher while the main desk is still there",
    24,
    Truth("backup-in-control", 11.1, MAIN_UNIVERSES, began_s=10.0, also=("unexpected-source",)),
    paper(sources=("main", "backup")),
)
def backup_one_step_higher() -> Iterator[Item]:
    before = backup_desk(stop_s=10)
    return mixed(
        main_desk().sends(), before.sends(), backup_desk(priority=101, start_s=10, first_sequence=400 & 0xFF).sends()
    )


@scenario(
    "F40",
    "a hand-over was not released: main and backup send at one priority with different levels",
    24,
    Truth("source-conflict", 15.1, ONE, severity="critical", began_s=10.0, also=("backup-differs",)),
    paper((1,), sources=("main", "equal-backup")),
)
def hand_over_not_released() -> Iterator[Item]:
    look = changed_at((0, moving(offset=5)), (10, held(20)))
    return mixed(main_desk((1,)).sends(), backup_desk((1,), lambda _: look, priority=100).sends())


@scenario(
    "F40",
    "the backup sends other levels than the main desk: it would not take over in step",
    34,
    Truth("backup-differs", 20.3, ONE, began_s=10.0),
    paper((1,), sources=("main", "backup")),
)
def backup_differs() -> Iterator[Item]:
    look = changed_at((0, held(120)), (10, held(20)))
    return mixed(main_desk((1,), lambda _: held(120)).sends(), backup_desk((1,), lambda _: look).sends())


@scenario(
    "F41",
    "a cloned computer: one identity from two addresses, each with its own series of numbers",
    24,
    Truth("duplicate-identity", 15.1, (), severity="critical", began_s=10.0, explains=("source-conflict",)),
    paper((1, 2), by_address=False),
)
def cloned_identity() -> Iterator[Item]:
    clone = main_desk((1, 2), address=CLONE, first_sequence=77, start_s=10, seed=9)
    return mixed(main_desk((1, 2)).sends(), clone.sends())


@scenario(
    "F43",
    "one source of a shared universe sends per-slot priorities, the other does not",
    24,
    Truth("slot-priority-faulty", 10.1, ONE, began_s=5.0),
    paper((1,), sources=("main", "second"), more={1: "shared = true\n"}),
)
def slot_priority_mixed() -> Iterator[Item]:
    main = main_desk((1,), slot_priorities=held(100))
    return mixed(main.sends(), second_desk((1,), start_s=5).sends())


@scenario(
    "F44",
    "per-slot priorities stop while the levels continue",
    24,
    Truth("slot-priority-faulty", 11.7, ONE, began_s=10.0),
    paper((1,)),
)
def slot_priority_stops() -> Iterator[Item]:
    return main_desk((1,), slot_priorities=lambda t_s: bytes((100,)) * 512 if t_s < 10 else b"").sends()


@scenario(
    "F44",
    "per-slot priorities cover fewer slots than the levels: the rest is nobody's",
    24,
    Truth("slot-priority-faulty", 2.6, ONE),
    paper((1,)),
)
def slot_priority_short() -> Iterator[Item]:
    return main_desk((1,), slot_priorities=held(100, 96)).sends()


@scenario(
    "F45",
    "everything on a declared universe is preview data: a visualiser's output, the stage gets nothing",
    24,
    Truth("preview-only", 2.5, ("e131/2",), explains=("universe-missing",)),
    paper((1, 2)),
)
def preview_only() -> Iterator[Item]:
    desk = main_desk((1, 2))
    return replace(
        desk, outputs=tuple(replace(each, options=PREVIEW) if each.number == 2 else each for each in desk.outputs)
    ).sends()


@scenario(
    "F45",
    "the preview flag is switched on in the middle: the stage loses the universe although packets come",
    24,
    Truth("preview-only", 12.6, ("e131/2",), began_s=10.0, explains=("universe-lost",)),
    paper((1, 2)),
)
def preview_switched_on() -> Iterator[Item]:
    live, other = main_desk((2,), stop_s=10, discovery=False), main_desk((1,), listed=lambda t_s: [1, 2])
    blind = main_desk((2,), options=PREVIEW, start_s=10, first_sequence=145, discovery=False)
    return mixed(live.sends(), other.sends(), blind.sends())


@scenario(
    "F47",
    "a gateway sends back what it hears: a second source repeats the first, three frames late",
    34,
    Truth("echoed-universe", 6.2, ONE, began_s=5.0, also=("unexpected-source",), explains=("source-conflict",)),
    paper((1,)),
)
def gateway_echo() -> Iterator[Item]:
    look = moves(1)
    echo = Desk(
        "Gateway in", GATEWAY, outputs((1,), lambda _: late(look, 0.075)), cid_of("Gateway in"), start_s=5.0, seed=6
    )
    return mixed(main_desk((1,), lambda _: look).sends(), echo.sends())


def _many(count: int) -> Iterator[Item]:
    desks = (
        Desk(
            f"Node {n}",
            f"198.51.100.{n + 1}",
            outputs((1,), lambda _: held(100)),
            discovery=False,
            start_s=0.01 * n,
            seed=n,
        )
        for n in range(count)
    )
    return mixed(*(desk.sends() for desk in desks))


@scenario(
    "",
    "70 sources send one universe: more than are kept",
    14,
    Truth("too-many-sources", 0.7, ()),
    paper((1,), anyone=True, more={1: "shared = true\n"}),
)
def too_many_sources() -> Iterator[Item]:
    return _many(70)
