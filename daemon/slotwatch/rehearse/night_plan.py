"""A random night while it is drawn: which sources play, when they fall silent, and what is true of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from slotwatch.rehearse.cast import backup_desk, main_desk, media_server, moves, rests, second_desk
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.desk import Desk
from slotwatch.rehearse.looks import Look, changed_at, held
from slotwatch.rehearse.stage import Item
from slotwatch.rehearse.two_networks import media_on_both, on_both

E131_DUE_S = 4.0
"""Loss timeout of 2.5 s (E1.31 6.7.1), and up to one keep-alive of 1 s until the first frame is due (6.6.2)."""
ARTNET_DUE_S = 15.0
"""10 s (common practice, no source) and one keep-alive of 4 s."""
WINDOW_DUE_S = 14.0
"""What is counted over 10 s, and its delay."""
ENOUGH_S = 8.0
"""Movement in which a rule that looks at moving levels has enough frames at any rate that is drawn."""
COINCIDENT_S = 5.0
"""What stops within less of each other may have stopped together: a look at rest is sent every 0.9 s, or every 4 s."""
LIGHTS = 11
LOSSES = ("universe-lost", "source-absent", "backup-absent", "backup-in-control", "universe-missing")
IN_THE_DARK = ("lights-left-on",)
LOST_ON_THE_WAY = ("packet-loss", "repeated-packets")
SILENT = ("source-lost",)
NETWORK = ("network-lost", "multicast-lost")


def loss_due_s(subject: str, at_s: float) -> float:
    """When the loss of all that a subject sends must be reported at the latest; the media server sends Art-Net."""
    return at_s + (ARTNET_DUE_S if subject == "media" else E131_DUE_S)


@dataclass(frozen=True, slots=True)
class Expected:
    """One fault that was played, and what is true of it."""

    fault: str
    rules: tuple[str, ...]
    """Any of these is right."""
    causes: tuple[str, ...]
    """Any of these is right; empty: not judged."""
    universes: tuple[str, ...]
    """Without networks: `e131/1`. Empty: the whole network."""
    at_s: float
    due_s: float
    also: tuple[str, ...] = ()
    """Rules that are true of the same subject besides."""
    is_owed: bool = True
    """False: it may be reported, and need not be."""
    is_note: bool = False
    """Its severity in show."""
    is_unknown: bool = False
    """It may be reported only by a listener that was away when it began."""


@dataclass(frozen=True, slots=True)
class Silence:
    """Levels of one subject that do not arrive for a time."""

    subject: str
    at_s: float
    back_s: float = math.inf
    again_s: tuple[float, ...] = ()
    """When it falls silent again, of what comes and goes."""
    is_slow: bool = False
    """A keep-alive that is too slow: it is silent again and again."""

    def covers(self, t_s: float) -> bool:
        return self.at_s <= t_s < self.back_s


@dataclass(slots=True)
class NightPlan:
    chance: Chance
    seconds: float
    numbers: tuple[int, ...]
    artnet: tuple[int, ...]
    backup: str
    """sending | silent | empty."""
    two: bool
    phase: str = "show"
    cues: dict[int, list[tuple[float, bool]]] = field(default_factory=dict)
    """Of each E1.31 universe: since when it moves or not."""
    looks: dict[int, Look] = field(default_factory=dict)
    common: dict[str, Any] = field(default_factory=dict)
    """Options of main and backup desk."""
    main: dict[str, Any] = field(default_factory=dict)
    lights: dict[str, Any] = field(default_factory=dict)
    media_options: dict[str, Any] = field(default_factory=dict)
    house: dict[str, Any] = field(default_factory=dict)
    """Options of the house file."""
    unsent: tuple[int, ...] = ()
    """E1.31 universes that the house declares and no source sends."""
    shared: tuple[int, ...] = ()
    """E1.31 universes that the house lights' controller sends as well, as the house declares."""
    had: set[str] = field(default_factory=set)
    """Subjects of which a fault was drawn."""
    faulty: set[str] = field(default_factory=set)
    """Subjects that a fault of another subject took."""
    taken: set[int] = field(default_factory=set)
    """E1.31 universes on which another sends levels of its own."""
    rival_s: dict[int, float] = field(default_factory=dict)
    """Since when a stranger sends an E1.31 universe at the desk's priority or above it."""
    parts: dict[str, Callable[[], Iterator[Item]]] = field(default_factory=dict)
    """The players, by subject; a fault wraps its subject's part."""
    arriving: list[Callable[[Iterator[Item]], Iterator[Item]]] = field(default_factory=list)
    """What happens to all that is sent, on its last way."""
    silences: list[Silence] = field(default_factory=list)
    blind: list[tuple[float, float]] = field(default_factory=list)
    """When the listener itself hears nothing."""
    cut: list[tuple[float, float]] = field(default_factory=list)
    """When nothing of anybody arrives."""
    strangers: list[str] = field(default_factory=list)
    """Universes of guests that are not a fault."""
    truths: list[Callable[[], Expected | None]] = field(default_factory=list)
    """Asked once all faults are drawn, in their order."""
    lossy_s: dict[str, float] = field(default_factory=dict)
    """Since when a subject's path loses frames."""
    doubled: set[str] = field(default_factory=set)
    """Subjects whose packets come twice: what loses one of two loses nothing."""
    unnumbered: set[str] = field(default_factory=set)
    """Subjects whose numbers mean nothing: what is missing of them cannot be counted."""
    querier_silent: bool = False
    """Whether the multicast querier was not heard for so long that memberships run out."""
    backup_above: bool = False
    """Whether the backup rises above the main desk."""
    raised_s: dict[str, float] = field(default_factory=dict)
    """Since when a desk sends far above its priority."""
    looped_s: float = math.inf
    """Since when packets go round in a loop."""
    outranked: bool = False
    """Whether the main desk falls below its backup, whose levels then count alone."""
    damaged_s: float = math.inf
    """Since when packets arrive damaged."""
    preview_s: float = math.inf
    """Since when the main desk sends preview data alone."""
    media_rests: bool = False
    """Whether the media server stays in one look all night: four seconds between its packets."""
    still_s: dict[str, float] = field(default_factory=dict)
    """Since when a subject stays in one look."""
    given_up: set[str] = field(default_factory=set)
    """Universes that the main desk no longer sends."""
    half_s: float = math.inf
    """Since when a desk no longer reaches one of two networks."""
    darkened_s: float = math.inf
    """Since when one of two networks brings nothing."""

    def main_desk(self, **more: Any) -> Desk:
        return main_desk(self.numbers, lambda number: self.looks[number], **{**self.common, **self.main, **more})

    def backup_desk(self, **more: Any) -> Desk:
        lag_s = self.house.get("lag_s", 0.0)
        options = {"priority": 90, **self.common, **more}
        if "slot_priorities" in options:
            options["slot_priorities"] = held(90)
        return backup_desk(self.numbers, lambda number: lambda t_s: self.looks[number](max(t_s - lag_s, 0)), **options)

    def lights_desk(self, **more: Any) -> Desk:
        return second_desk(look=lambda _: self.looks[LIGHTS], **{**self.lights, **more})

    def desk_of(self, subject: str, **more: Any) -> Desk:
        make = {"main": self.main_desk, "backup": self.backup_desk, "lights": self.lights_desk}[subject]
        return make(**more)

    def media(self) -> Iterator[Item]:
        return (
            media_on_both(self.artnet, **self.media_options)
            if self.two
            else media_server(self.artnet, **self.media_options).sends()
        )

    def send(self, desk: Desk) -> Iterator[Item]:
        return on_both(desk) if self.two else desk.sends()

    def wrap(self, subject: str, change: Callable[[Iterator[Item]], Iterator[Item]]) -> None:
        before = self.parts[subject]
        self.parts[subject] = lambda: change(before())

    def universes(self, subject: str) -> tuple[str, ...]:
        if subject == "media":
            return tuple(f"artnet/{number}" for number in self.artnet)
        if subject == "lights":
            return (f"e131/{LIGHTS}",)
        names = tuple(f"e131/{number}" for number in self.numbers)
        # What it gave up falls silent with nothing that comes later.
        return tuple(name for name in names if subject != "main" or name not in self.given_up)

    def everyone(self) -> list[str]:
        """Subjects that send what the house declares."""
        return [subject for subject in self.parts if subject in ("main", "backup", "lights", "media")]

    def is_silent(self, subject: str, t_s: float) -> bool:
        return any(one.subject == subject and one.covers(t_s) for one in self.silences)

    def silent_from_s(self, subject: str, after_s: float) -> float:
        """When the subject's first silence after a moment begins; the end of the night if none does."""
        return min((o.at_s for o in self.silences if o.subject == subject and o.at_s > after_s), default=self.seconds)

    def moves_from_s(self, number: int, after_s: float, to_s: float, *, frames: bool = False) -> float:
        """Give the start of the first movement of ENOUGH_S between two moments; inf if there is none.

        frames: frames are enough, changed or not.
        """
        # The house lights never send what does not change.
        if frames and self.common.get("continuous") and number != LIGHTS:
            return after_s if to_s - after_s >= ENOUGH_S else math.inf
        cues = [*self.cues[number], (self.seconds, False)]
        start_s = math.inf
        for (from_s, is_moving), (end_s, _) in pairwise(cues):
            if not is_moving:
                start_s = math.inf
                continue
            start_s = min(start_s, max(from_s, after_s))
            if min(end_s, to_s) - start_s >= ENOUGH_S:
                return start_s
        return math.inf


def moving_truth(
    plan: NightPlan,
    subject: str,
    fault: str,
    rules: tuple[str, ...],
    at_s: float,
    also: tuple[str, ...] = (),
    *,
    causes: tuple[str, ...] = (),
    frames: bool = False,
) -> Callable[[], Expected]:
    """Make the truth of a fault that shows while levels move: it must be found on the universes that move for long
    enough."""

    def truth() -> Expected:
        numbers = [int(name.removeprefix("e131/")) for name in plan.universes(subject)]
        to_s = min(plan.silent_from_s(subject, at_s), plan.seconds - 1)
        if not (frames and plan.common.get("continuous")):
            to_s = min(to_s, plan.still_s.get(subject, math.inf))
        starts = {number: plan.moves_from_s(number, at_s, to_s, frames=frames) for number in numbers}
        shown = {number: start_s for number, start_s in starts.items() if start_s < math.inf}
        names = tuple(f"e131/{number}" for number in (shown or numbers))
        due_s = max(shown.values(), default=plan.seconds) + WINDOW_DUE_S
        # A path that loses frames explains that they come unevenly.
        is_hidden = rules[0] not in LOST_ON_THE_WAY and subject in plan.lossy_s
        is_hidden |= subject in plan.unnumbered or plan.is_silent(subject, at_s)
        is_owed = bool(shown) and not is_hidden
        # A loop fills the network: it may account for how frames come.
        beside = () if plan.looped_s == math.inf else ("repeated-packets",)
        return Expected(fault, rules, causes, names, at_s, due_s, (*also, *beside), is_owed)

    return truth


def silence_truth(
    plan: NightPlan,
    subject: str,
    fault: str,
    at_s: float,
    causes: tuple[str, ...] = SILENT,
    numbers: tuple[int, ...] = (),
    also: tuple[str, ...] = (),
) -> Callable[[], Expected]:
    """Make the truth of levels that no longer come.

    numbers: E1.31 universes that it is about, where not all of the subject.
    """

    def truth() -> Expected:
        universes = tuple(f"e131/{number}" for number in numbers) or plan.universes(subject)
        due_s = loss_due_s(subject, at_s)
        rules, why = _rules(plan, subject, at_s), _causes(plan, subject, at_s, causes)
        if subject == "backup" and plan.preview_s < at_s + COINCIDENT_S:
            # That only preview data comes explains the loss, and its incident names the silent sources there too.
            rules, why = (*rules, "preview-only"), ()
        # A source that announces its stop while another continues does so on purpose: a note.
        is_owed = "stream-terminated" not in causes or rules == ("universe-lost",)
        return Expected(fault, rules, why, universes, at_s, due_s, (*LOSSES, *also), is_owed)

    return truth


def _rules(plan: NightPlan, subject: str, at_s: float) -> tuple[str, ...]:
    """Whether another keeps the universe alive, or did until a moment ago."""
    own = "backup-absent" if subject == "backup" else "source-absent"
    other = {"main": "backup", "backup": "main"}.get(subject, "")
    if _coincident(plan, subject, at_s):
        return ("universe-lost", own)  # what stops in one moment is one incident
    if other not in plan.parts:
        return ("universe-lost", own) if plan.taken or "intruder" in plan.parts else ("universe-lost",)
    before, after = plan.is_silent(other, at_s), plan.is_silent(other, at_s + E131_DUE_S)
    near = abs(plan.silent_from_s(other, at_s - COINCIDENT_S) - at_s) < COINCIDENT_S
    if near or before != after or plan.half_s < math.inf:
        return ("universe-lost", own)
    return ("universe-lost", own) if before else (own,)


def _coincident(plan: NightPlan, subject: str, at_s: float) -> list[Silence]:
    """Silences of others that cannot be distinguished from one of this moment."""
    own = next((one for one in plan.silences if (one.subject, one.at_s) == (subject, at_s)), Silence(subject, at_s))
    until_s = own.back_s if own.back_s < math.inf else at_s
    return [
        one
        for one in plan.silences
        if (one.subject, one.at_s) != (subject, at_s)
        and (_begin_together(own, one) or (one.is_slow and one.at_s < until_s))
    ]


def _begin_together(one: Silence, other: Silence) -> bool:
    starts = [(a_s, b_s) for a_s in (one.at_s, *one.again_s) for b_s in (other.at_s, *other.again_s)]
    return any(abs(a_s - b_s) < COINCIDENT_S for a_s, b_s in starts)


def _causes(plan: NightPlan, subject: str, at_s: float, causes: tuple[str, ...]) -> tuple[str, ...]:
    """Add what cannot be distinguished: no other source is left, or others stop in the same moment."""
    others = _coincident(plan, subject, at_s)
    left = [subject for subject in plan.everyone() if not plan.is_silent(subject, at_s + 1.0)]
    if others and "stream-terminated" not in causes:
        pauses = ("path-or-sender",) if any(one.is_slow for one in others) else ()
        return (*causes, *SILENT, *NETWORK, *pauses)
    if "source-lost" not in causes:
        return causes
    if abs(at_s - plan.damaged_s) < COINCIDENT_S:
        return (*causes, "path-or-sender")  # all of what it sends may be damaged
    if plan.querier_silent and not set(left) - {"media"}:
        # No group continues: their memberships may have run out.
        return (*causes, *NETWORK)
    if not left:
        return (*causes, *NETWORK)
    return causes


def settle(plan: NightPlan) -> tuple[Expected, ...]:
    """Work out what is true of the whole night."""
    found = [one for truth in plan.truths if (one := truth()) is not None]
    for from_s, to_s in plan.blind:
        found = [
            replace(one, is_owed=False, due_s=math.inf)
            if one.rules[0] not in ("link-down", "host-overrun") and one.at_s < to_s + 2 and one.due_s > from_s
            else one
            for one in found
        ]
    for from_s, to_s in plan.cut:
        # Nothing shows of what sends, while nothing comes. Of silences their own truth knows.
        found = [
            replace(one, is_owed=False, due_s=math.inf)
            if one.rules[0] not in LOSSES and one.at_s < to_s + 2 and one.due_s > from_s
            else one
            for one in found
        ]
    # What fell silent shortly before may have fallen silent with it.
    dark_s = plan.darkened_s
    found = [
        replace(one, causes=()) if one.rules[0] in LOSSES and one.at_s < dark_s < one.due_s + COINCIDENT_S else one
        for one in found
    ]
    # A note in this phase must not wake anybody. What only a dark house has is told there.
    return tuple(one for one in found if plan.phase == "show" or one.rules[0] in IN_THE_DARK)


def cast(plan: NightPlan) -> None:
    """Set the stage: looks, and all sources that send while nothing is wrong."""
    for number in (*plan.numbers, LIGHTS):
        plan.looks[number] = _cues(plan, number)
    plan.parts["main"] = lambda: plan.send(plan.main_desk())
    if plan.backup == "sending":
        plan.parts["backup"] = lambda: plan.send(plan.backup_desk())
    plan.parts["lights"] = lambda: plan.send(plan.lights_desk())
    if plan.artnet:
        plan.parts["media"] = plan.media


def _cues(plan: NightPlan, number: int) -> Look:
    """Draw cues of movement and rest, beginning with movement so that rates are known."""
    chance, at_s = plan.chance, 0.0
    cues, moving = list[tuple[float, Look]](), list[tuple[float, bool]]()
    still = 3 if chance.below(5) else 1
    while at_s < plan.seconds:
        is_moving = not cues or chance.below(still) > 0
        dark = chance.below(3) == 0
        cues.append((at_s, moves(number) if is_moving else held(0) if dark else rests(number + len(cues))))
        moving.append((at_s, is_moving))
        at_s += chance.between(5.0, 15.0)
    plan.cues[number] = moving
    return changed_at(*cues)
