"""Random nights with a known truth: a seed draws a house, a show and up to three faults at once.

Each fault has a subject of its own (a desk, the media server, the backup), so that what is true of one says nothing
of another. What must be reported, by when, of which universes and with which cause is worked out from the standards'
timeouts and from who else still sends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import backup_desk, main_desk, media_server, moves, rests, second_desk, tool
from slotwatch.rehearse.cast import paper as one_network
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.desk import Desk
from slotwatch.rehearse.looks import Look, changed_at
from slotwatch.rehearse.registry import prelude
from slotwatch.rehearse.scenario import Paper, Scenario, Truth
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.rehearse.two_networks import media_on_both, on_both, two_networks

SECONDS = 56.0
FIRST_S, APART_S = 12.0, 8.0
"""Faults begin so far apart at least that nothing groups them by chance: a look at rest sends each 0.9 s."""
E131_DUE_S = 4.0
"""Loss timeout of 2.5 s (E1.31 6.7.1), and up to one keep-alive of 1 s until the first frame is owed (6.6.2)."""
ARTNET_DUE_S = 15.0
"""10 s (common practice, no source) and one keep-alive of 4 s."""
WINDOW_DUE_S = 14.0
"""What is counted over 10 s, and its delay."""
LIGHTS = 11


@dataclass(frozen=True, slots=True)
class Expected:
    """One fault that was played, and what is true of it."""

    fault: str
    rules: tuple[str, ...]
    """Any of these is right."""
    causes: tuple[str, ...]
    """Any of these is right; empty: not judged."""
    universes: tuple[str, ...]
    """Without networks: `e131/1`."""
    at_s: float
    due_s: float
    also: tuple[str, ...] = ()
    """Rules that are true of the same subject besides."""


@dataclass(frozen=True, slots=True)
class Night:
    seed: int
    scenario: Scenario
    expected: tuple[Expected, ...]
    """Empty: a healthy night."""


@dataclass(slots=True)
class _Plan:
    """A night while it is drawn."""

    chance: Chance
    numbers: tuple[int, ...]
    artnet: tuple[int, ...]
    backup: bool
    two: bool
    looks: dict[int, Look] = field(default_factory=dict)
    main: dict[str, Any] = field(default_factory=dict)
    effects: list[Callable[[Iterator[Item]], Iterator[Item]]] = field(default_factory=list)
    """On everything that arrives."""
    parts: dict[str, Callable[[], Iterator[Item]]] = field(default_factory=dict)
    """Who plays, by subject; a fault replaces its subject's part."""
    expected: list[Expected] = field(default_factory=list)
    ended: list[str] = field(default_factory=list)
    """Subjects that end before or at the fault that is being drawn."""
    main_is_half: bool = False
    """Whether the main desk no longer reaches one of two networks: there only a backup sends its universes."""

    def desk(self, **options: Any) -> Desk:
        return main_desk(self.numbers, lambda number: self.looks[number], **options)

    def send(self, desk: Desk) -> Iterator[Item]:
        return on_both(desk) if self.two else desk.sends()

    def causes_of_silence(self) -> tuple[str, ...]:
        """The source is named while any other sends; alone it cannot be told from the way."""
        left = [subject for subject in self.parts if subject not in self.ended]
        return ("source-lost",) if left else ("source-lost", "network-lost")

    def e131(self) -> tuple[str, ...]:
        return tuple(f"e131/{number}" for number in self.numbers)


def _cues(chance: Chance, number: int) -> Look:
    """Draw cues of movement and rest, beginning with movement so that rates are known."""
    at_s, cues = 0.0, list[tuple[float, Look]]()
    while at_s < SECONDS:
        cues.append((at_s, rests(number + len(cues)) if cues and chance.below(3) == 0 else moves(number)))
        at_s += chance.between(5.0, 15.0)
    return changed_at(*cues)


def any_night(seed: int) -> Night:
    """Draw one night; the same seed is always the same night."""
    chance = Chance(seed * 104_729 + 7)
    first = 1 + chance.below(6)
    plan = _Plan(
        chance,
        tuple(range(first, first + 1 + chance.below(4))),
        tuple(range(chance.below(3))),
        backup=bool(chance.below(2)),
        two=chance.below(3) == 0,
    )
    plan.looks = {number: _cues(chance, number) for number in plan.numbers}
    _cast(plan)
    count = chance.below(4)
    starts = [FIRST_S + APART_S * place + chance.between(0.0, 2.0) for place in range(count)]
    subjects = list(plan.parts)
    for at_s in starts:
        able = [subject for subject in subjects if subject in _FAULTS]
        if not able:
            break
        subject = able[chance.below(len(able))]
        subjects.remove(subject)
        choices = [one for one in _FAULTS[subject] if one is not _lead_out or plan.two]
        choices[chance.below(len(choices))](plan, at_s)
    house = _house(plan)

    def items() -> Iterator[Item]:
        sent: Iterator[Item] = mixed(prelude(house), *(part() for part in plan.parts.values()))
        for effect in plan.effects:
            sent = effect(sent)
        jitter = Chance(seed)
        late = stage.delayed(sent, lambda _: jitter.between(0.0, 0.002), 0.002)
        limit_ns = round(SECONDS * 1e9)
        for item in late:
            if item.t_ns >= limit_ns:
                return
            yield item

    title = ", ".join(f"{one.fault} at {one.at_s:.1f} s" for one in plan.expected) or "healthy"
    return Night(
        seed, Scenario(f"night-{seed}", "", title, items, SECONDS, house, Truth(), live=False), tuple(plan.expected)
    )


def _house(plan: _Plan) -> Paper:
    sources = ["main", *(["backup"] if plan.backup else []), "second", *(["media"] if plan.artnet else [])]
    make = two_networks if plan.two else one_network
    return make((*plan.numbers, LIGHTS), plan.artnet, sources=sources)


def _cast(plan: _Plan) -> None:
    plan.parts["main"] = lambda: plan.send(plan.desk())
    if plan.backup:
        lag_s = plan.chance.between(0.0, 0.08)
        plan.parts["backup"] = lambda: plan.send(_late(_backup(plan), lag_s))
    light = _cues(plan.chance, LIGHTS)
    plan.parts["lights"] = lambda: plan.send(second_desk(look=lambda _: light))
    if plan.artnet:
        plan.parts["media"] = lambda: _media(plan)


def _backup(plan: _Plan, **options: Any) -> Desk:
    return backup_desk(plan.numbers, lambda number: plan.looks[number], **options)


def _late(desk: Desk, lag_s: float) -> Desk:
    def behind(look: Look) -> Look:
        return lambda t_s: look(max(t_s - lag_s, 0.0))

    return replace(desk, outputs=tuple(replace(each, look=behind(each.look)) for each in desk.outputs))


def _media(plan: _Plan) -> Iterator[Item]:
    return media_on_both(plan.artnet) if plan.two else media_server(plan.artnet).sends()


# --- faults, each of one subject ----------------------------------------------------------------------


def _main_dead(plan: _Plan, at_s: float) -> None:
    plan.ended.append("main")
    plan.parts["main"] = lambda: plan.send(plan.desk(stop_s=at_s))
    if plan.backup and "backup" not in plan.ended:
        rules: tuple[str, ...] = ("source-absent",)
        also: tuple[str, ...] = ("backup-in-control", "backup-absent")
    else:
        rules, also = ("universe-lost", "source-absent"), ("backup-absent", "backup-in-control")
    plan.expected.append(
        Expected("main dead", rules, plan.causes_of_silence(), plan.e131(), at_s, at_s + E131_DUE_S, also)
    )


def _main_reboots(plan: _Plan, at_s: float) -> None:
    """Back with other numbers before the loss timeout is over, even after a keep-alive of 0.9 s: it raises nothing."""
    back_s = at_s + plan.chance.between(0.6, 1.5)
    first = plan.chance.below(256)
    plan.parts["main"] = lambda: mixed(
        plan.send(plan.desk(stop_s=at_s)), plan.send(plan.desk(start_s=back_s, first_sequence=first))
    )


def _main_loses_frames(plan: _Plan, at_s: float) -> None:
    ratio, seed = plan.chance.between(0.06, 0.15), plan.chance.below(1 << 30)
    before = plan.parts["main"]
    plan.parts["main"] = lambda: stage.lossy(before(), ratio, seed, at_s)
    plan.expected.append(
        Expected(
            "lossy way of main",
            ("packet-loss",),
            (),
            plan.e131(),
            at_s,
            # Cues at rest send a frame a second: the next movement may be 15 s away.
            at_s + WINDOW_DUE_S + 16.0,
            # At rest a universe sends a frame a second: three that are lost in a row are a loss.
            ("uneven-refresh", "slow-refresh", "universe-lost", "source-absent"),
        )
    )


def _lead_out(plan: _Plan, at_s: float) -> None:
    lost = plan.chance.below(2)
    plan.main_is_half = True
    plan.parts["main"] = lambda: on_both(plan.desk(), at_s, lost=lost)
    rules = ("source-absent",) if plan.backup and "backup" not in plan.ended else ("universe-lost", "source-absent")
    also = ("backup-in-control", "backup-absent")
    plan.expected.append(Expected("main's lead out", rules, ("leg-lost",), plan.e131(), at_s, at_s + E131_DUE_S, also))


def _intruder(plan: _Plan, at_s: float) -> None:
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    priority = (100, 150)[plan.chance.below(2)]
    plan.parts["intruder"] = lambda: tool((number,), start_s=at_s, priority=priority).sends()
    also = ("source-conflict", "unexpected-source", "backup-differs")
    plan.expected.append(
        Expected(
            f"intruder at priority {priority}",
            ("source-conflict", "unexpected-source"),
            (),
            (f"e131/{number}",),
            at_s,
            at_s + 7.0,
            also,
        )
    )


def _backup_dead(plan: _Plan, at_s: float) -> None:
    plan.ended.append("backup")
    plan.parts["backup"] = lambda: plan.send(_backup(plan, stop_s=at_s))
    if "main" in plan.ended or plan.main_is_half:
        rules: tuple[str, ...] = ("universe-lost", "backup-absent")
    else:
        rules = ("backup-absent",)
    plan.expected.append(
        Expected("backup dead", rules, plan.causes_of_silence(), plan.e131(), at_s, at_s + E131_DUE_S, rules)
    )


def _lights_dead(plan: _Plan, at_s: float) -> None:
    plan.ended.append("lights")
    before = plan.parts["lights"]
    plan.parts["lights"] = lambda: stage.cut(before(), at_s)
    plan.expected.append(
        Expected(
            "house lights dead",
            ("universe-lost",),
            plan.causes_of_silence(),
            (f"e131/{LIGHTS}",),
            at_s,
            at_s + E131_DUE_S,
        )
    )


def _lights_close(plan: _Plan, at_s: float) -> None:
    """A stop with the stream-terminated bit in show: a warning once the timeout is over."""
    plan.ended.append("lights")
    plan.parts["lights"] = lambda: plan.send(second_desk(stop_s=at_s, closes=True))
    plan.expected.append(
        Expected(
            "house lights closed", ("universe-lost",), ("stream-terminated",), (f"e131/{LIGHTS}",), at_s, at_s + 4.0
        )
    )


def _lights_stutter(plan: _Plan, at_s: float) -> None:
    plan.parts["lights"] = lambda: plan.send(second_desk(paused=lambda t_s: t_s >= at_s and (t_s - at_s) % 2 < 0.3))
    plan.expected.append(
        Expected(
            "house lights pause",
            ("uneven-refresh",),
            ("sender-paused",),
            (f"e131/{LIGHTS}",),
            at_s,
            at_s + WINDOW_DUE_S,
        )
    )


def _media_dead(plan: _Plan, at_s: float) -> None:
    plan.ended.append("media")
    plan.parts["media"] = lambda: stage.cut(_media(plan), at_s)
    names = tuple(f"artnet/{number}" for number in plan.artnet)
    plan.expected.append(
        Expected("media dead", ("universe-lost",), plan.causes_of_silence(), names, at_s, at_s + ARTNET_DUE_S)
    )


def _media_doubled(plan: _Plan, at_s: float) -> None:
    before = plan.parts["media"]
    plan.parts["media"] = lambda: stage.doubled(before(), 1, 0.0003, at_s)
    names = tuple(f"artnet/{number}" for number in plan.artnet)
    plan.expected.append(Expected("media doubled", ("repeated-packets",), (), names, at_s, at_s + WINDOW_DUE_S))


_FAULTS: dict[str, tuple[Callable[[_Plan, float], None], ...]] = {
    "main": (_main_dead, _main_reboots, _main_loses_frames, _lead_out, _intruder),
    "backup": (_backup_dead,),
    "lights": (_lights_dead, _lights_close, _lights_stutter),
    "media": (_media_dead, _media_doubled),
}
