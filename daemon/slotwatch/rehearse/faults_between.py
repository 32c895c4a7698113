"""Two listeners compared (F02, F21, F26, F28): what the other one says is an observation, made of what reaches it."""

from __future__ import annotations

from collections import deque
from collections.abc import Container, Iterable, Iterator
from uuid import UUID

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import backup_desk, main_desk, ns, paper
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.registry import healthy, scenario
from slotwatch.rehearse.scenario import Truth
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.wire.observation import ListenerSeen, StreamElsewhere

DECLARED = '[[listeners]]\nname = "stage end"\nurl = "http://192.0.2.6:8580"\nown_name = "control room"\n'
HOUSE = paper((1, 2, 3), extra=DECLARED)
PAIR = paper((1, 2, 3), sources=("main", "backup"), extra=DECLARED)
CID_AT, PRIORITY_AT, SEQUENCE_AT, UNIVERSE_AT = slice(22, 38), 108, 111, slice(113, 115)
"""Bytes of an E1.31 data packet: ANSI E1.31-2018 table 4-1."""
FAR = stage.universes(2, 3)
LOST_NS = ns(2.5)
"""ANSI E1.31-2018 6.7.1."""


class _Ear:
    """Counts one stream by its sequence numbers."""

    def __init__(self, sequence: int, t_ns: int, priority: int) -> None:
        self.sequence, self.t_ns, self.frames, self.missing, self.priority = sequence, t_ns, 1, 0, priority
        self.intervals_ns: deque[int] = deque(maxlen=512)

    def hear(self, sequence: int, t_ns: int) -> None:
        self.missing += (sequence - self.sequence - 1) % 256
        self.frames += 1
        self.intervals_ns.append(t_ns - self.t_ns)
        self.sequence, self.t_ns = sequence, t_ns


def other_listener(
    heard: Iterable[Item], first_ns: int = ns(0.4), numbers: Container[int] = (1, 2, 3)
) -> Iterator[ListenerSeen]:
    """What another listener answers of these universes, asked once a second, while this reaches it."""
    ears: dict[tuple[int, bytes], _Ear] = {}
    ask_ns = first_ns
    for item in heard:
        while item.t_ns >= ask_ns:
            yield ListenerSeen(ask_ns, "stage end", True, "", tuple(_answers(ears, ask_ns)))
            ask_ns += ns(1)
        if isinstance(item, Sent) and len(item.payload) > UNIVERSE_AT.stop and item.dst.startswith("239.255."):
            universe = int.from_bytes(item.payload[UNIVERSE_AT], "big")
            key, sequence = (universe, item.payload[CID_AT]), item.payload[SEQUENCE_AT]
            if universe not in numbers:
                continue  # lists of universes
            if key in ears:
                ears[key].hear(sequence, item.t_ns)
            else:
                ears[key] = _Ear(sequence, item.t_ns, item.payload[PRIORITY_AT])
    while True:
        yield ListenerSeen(ask_ns, "stage end", True, "", tuple(_answers(ears, ask_ns)))
        ask_ns += ns(1)


def _answers(ears: dict[tuple[int, bytes], _Ear], ask_ns: int) -> Iterator[StreamElsewhere]:
    best: dict[int, int] = {}
    for (universe, _), ear in ears.items():
        if ask_ns - ear.t_ns < LOST_NS:
            best[universe] = max(best.get(universe, 0), ear.priority)
    for (universe, cid), ear in ears.items():
        age_ns = ask_ns - ear.t_ns
        is_live = age_ns < LOST_NS
        source = str(UUID(bytes=cid))
        yield StreamElsewhere(
            f"e131/{universe}",
            "eth1",
            source,
            ear.sequence,
            ear.frames,
            ear.missing,
            age_ns,
            "live" if is_live else "silent",
            True,
            wins=is_live and ear.priority == best[universe],
            interval_max_ms=max(ear.intervals_ns, default=0) / 1e6 or None,
        )


def _lost_between(*says: str, explains: tuple[str, ...] = ()) -> Truth:
    """Two universes reach one listener alone from 10 s on."""
    return Truth(
        "lost-between",
        13.5,
        ("e131/2", "e131/3"),
        "way-between",
        severity="critical",
        confidence="high",
        began_s=10.0,
        explains=explains,
        says=says,
    )


@scenario(
    "F21",
    "the uplink to the control room's switch stops carrying two universes, and the stage end hears them",
    40,
    _lost_between("lost between control room and stage end", explains=("universe-lost",)),
    HOUSE,
    live=False,
)
def lost_on_the_way_here() -> Iterator[Item]:
    return mixed(other_listener(main_desk().sends()), stage.cut(main_desk().sends(), 10.0, 25.0, FAR))


@scenario(
    "F21",
    "the uplink to the stage end's switch stops carrying two universes, and the control room hears them",
    40,
    _lost_between("not at stage end", "lost between control room and stage end"),
    HOUSE,
    live=False,
)
def lost_on_the_way_there() -> Iterator[Item]:
    return mixed(other_listener(stage.cut(main_desk().sends(), 10.0, 25.0, FAR)), main_desk().sends())


@scenario(
    "F26",
    "the way between two listeners loses 2 % of the frames",
    40,
    Truth(
        "loss-between",
        14.8,
        (),
        "way-between",
        confidence="high",
        began_s=10.0,
        explains=("packet-loss",),
        says=("control room misses",),
    ),
    HOUSE,
    live=False,
)
def two_percent_between_listeners() -> Iterator[Item]:
    return mixed(other_listener(main_desk().sends()), stage.lossy(main_desk().sends(), 0.02, 7, 10.0))


@scenario(
    "F21",
    "the main desk does not pass the uplink to the stage end, where the backup is in control unnoticed",
    60,
    Truth(
        "winners-differ",
        21.4,
        ("e131/1", "e131/2", "e131/3"),
        "way-between",
        confidence="high",
        began_s=15.0,
        says=("is heard at control room, not at stage end", '"main desk" is in control at control room'),
        unsaid=("went completely silent",),
    ),
    PAIR,
    live=False,
)
def backup_in_control_at_the_stage_end() -> Iterator[Item]:
    there = mixed(stage.cut(main_desk().sends(), 12.0), backup_desk().sends())
    return mixed(other_listener(there), main_desk().sends(), backup_desk().sends())


@scenario(
    "F28",
    "the path between two listeners holds frames back: the control room sees them stutter, the stage end does not",
    60,
    Truth(
        "uneven-refresh",
        11.4,
        (),
        "way-between",
        confidence="high",
        began_s=10.0,
        says=("delayed between control room and stage end", "At stage end the same stream has no gap"),
        unsaid=("The sender probably paused",),
    ),
    HOUSE,
    live=False,
)
def frames_held_up_between_listeners() -> Iterator[Item]:
    return mixed(other_listener(main_desk().sends()), stage.clumped(main_desk().sends(), 0.25, 10.0))


@scenario(
    "F02",
    "the desk dies, and a second listener loses it in the same moment",
    30,
    Truth(
        "universe-lost",
        12.6,
        ("e131/1", "e131/2", "e131/3"),
        severity="critical",
        confidence="high",
        began_s=9.9,
        says=("stopped at the listener",),
        unsaid=("lost between",),
    ),
    HOUSE,
    live=False,
)
def desk_dies_at_both_listeners() -> Iterator[Item]:
    return mixed(other_listener(stage.cut(main_desk().sends(), 10.0)), stage.cut(main_desk().sends(), 10.0))


@scenario(
    "F21",
    "the second listener's computer is switched off, and the show continues",
    50,
    Truth("listener-silent", 41.4, (), severity="note", began_s=10.0, says=("Nothing is compared with it",)),
    HOUSE,
    live=False,
)
def second_listener_is_off() -> Iterator[Item]:
    def until_then_silent() -> Iterator[Item]:
        for seen in other_listener(main_desk().sends()):
            is_on = seen.t_ns < ns(10.5)
            yield seen if is_on else ListenerSeen(seen.t_ns, "stage end", False, "no answer within 2 s")

    return mixed(until_then_silent(), main_desk().sends())


@healthy("a second listener hears the same, and is restarted in the middle", 40, HOUSE, fault="F21", live=False)
def second_listener_restarts() -> Iterator[Item]:
    def both() -> Iterator[Item]:
        for seen in other_listener(main_desk().sends()):
            if seen.t_ns >= ns(15):
                return
            yield seen

    later = (item for item in main_desk().sends() if item.t_ns >= ns(18))
    return mixed(both(), other_listener(later, ns(18.4)), main_desk().sends())
