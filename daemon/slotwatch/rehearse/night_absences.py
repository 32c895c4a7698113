"""Faults of random nights in which levels no longer come: deaths, leads, outputs, restarts, the whole path."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import moves, seen
from slotwatch.rehearse.desk import cid_of
from slotwatch.rehearse.faults_listener import link
from slotwatch.rehearse.looks import changed_at, held
from slotwatch.rehearse.night_numbers import may_be_loss
from slotwatch.rehearse.night_plan import (
    ARTNET_DUE_S,
    E131_DUE_S,
    LIGHTS,
    LOSSES,
    NETWORK,
    SILENT,
    WINDOW_DUE_S,
    Expected,
    NightPlan,
    Silence,
    silence_truth,
)
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.rewriting import changed, renumbered
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.rehearse.two_networks import on_both

OF_THIS_COMPUTER = {"routes", "line"}
"""What no path carries: the reports of its own processes, and a line that it taps."""
ART_DMX, SUB_NET = b"\x00\x50", 14
"""OpCode of ArtDmx, low byte first, and the place of its SubUni (Art-Net 4, ArtDmx)."""
OUTPUT_CAUSES = ("universe-withdrawn", "path-or-sender")
"""One output of a source that lives: only its discovery list shows which of the two, 10 s later."""


def dies(plan: NightPlan, subject: str, at_s: float) -> None:
    plan.silences.append(Silence(subject, at_s))
    plan.wrap(subject, lambda before: stage.cut(before, at_s))
    plan.truths.append(silence_truth(plan, subject, f"{subject} dead", at_s))


def comes_back(plan: NightPlan, subject: str, at_s: float) -> None:
    """Loses power and starts again, with other sequence numbers; a desk that is known by its name has a new CID."""
    back_s = at_s + plan.chance.between(4.2, 14.0)
    plan.silences.append(Silence(subject, at_s, back_s))
    first = plan.chance.below(256)
    options: dict[str, object] = {"start_s": back_s, "first_sequence": first}
    # A house of two networks knows its desks by CID.
    if not (plan.two or plan.house.get("by_cid", True)) and plan.chance.below(2):
        options["cid"] = cid_of(f"again {first}")
    plan.wrap(subject, lambda before: mixed(stage.cut(before, at_s), plan.send(plan.desk_of(subject, **options))))
    plan.truths.append(silence_truth(plan, subject, f"{subject} restarts", at_s, also=("identity-changed",)))


def comes_and_goes(plan: NightPlan, subject: str, at_s: float) -> None:
    """A lead with a bad contact: away for 3 to 4 s, back for 4 to 7 s, three times and more."""
    gone_s, back_s = plan.chance.between(3.0, 4.0), plan.chance.between(4.0, 7.0)
    times = 3 + plan.chance.below(2)

    def sends(before: Iterator[Item]) -> Iterator[Item]:
        for nth in range(times):
            from_s = at_s + nth * (gone_s + back_s)
            before = stage.cut(before, from_s, from_s + gone_s)
        return before

    again_s = tuple(at_s + nth * (gone_s + back_s) for nth in range(1, times))
    plan.silences.append(Silence(subject, at_s, at_s + times * (gone_s + back_s), again_s))
    plan.wrap(subject, sends)
    plan.truths.append(silence_truth(plan, subject, f"{subject} comes and goes", at_s, also=("flapping",)))


def media_back(plan: NightPlan, subject: str, at_s: float) -> None:
    """The media server restarts within 11 to 20 s."""
    back_s = at_s + plan.chance.between(16.0, 20.0)
    plan.silences.append(Silence("media", at_s, back_s))
    plan.wrap("media", lambda before: stage.cut(before, at_s, back_s))
    plan.truths.append(silence_truth(plan, "media", "media restarts", at_s, also=("packet-loss",)))


def media_moves(plan: NightPlan, subject: str, at_s: float) -> None:
    """Somebody changes the Sub-Net of the media server: it continues 16 universes higher."""

    def change(before: Iterator[Item]) -> Iterator[Item]:
        for item in before:
            is_data = isinstance(item, Sent) and item.payload[8:10] == ART_DMX
            yield renamed(item) if is_data and item.t_ns >= at_s * 1e9 else item

    def renamed(sent: Item) -> Item:
        assert isinstance(sent, Sent)
        payload = sent.payload[:SUB_NET] + bytes((sent.payload[SUB_NET] + 16,)) + sent.payload[SUB_NET + 1 :]
        return replace(sent, payload=payload)

    plan.silences.append(Silence("media", at_s))
    plan.wrap("media", change)
    plan.truths.append(silence_truth(plan, "media", "media server moved", at_s, OUTPUT_CAUSES))


def media_says_no_more(plan: NightPlan, subject: str, at_s: float) -> None:
    """The media server sends on change alone and its look comes to rest: no keep-alive every 4 s (Art-Net 4)."""
    plan.media_options |= {
        "look": lambda number: changed_at((0.0, moves(number)), (at_s, held(90))),
        "keep_alive_s": plan.seconds,
    }
    plan.silences.append(Silence("media", at_s))
    plan.truths.append(silence_truth(plan, "media", "media at rest without keep-alive", at_s + 0.2))


def some_cut(plan: NightPlan, subject: str, at_s: float) -> None:
    """A switch that two of the sources are connected to loses power: they stop in one moment, and the others
    continue. Where it also powers them (IEEE 802.3 clause 33), they start again with it, each at its own pace."""
    alive = [one for one in plan.everyone() if not plan.is_silent(one, at_s)]
    while len(alive) > 2:
        alive.remove(alive[plan.chance.below(len(alive))])
    powered_s = at_s + plan.chance.between(16.0, 20.0) if plan.chance.below(2) else math.inf
    for one in alive:
        back_s = powered_s + (plan.chance.between(0.0, 4.0) if powered_s < math.inf else 0.0)
        plan.silences.append(Silence(one, at_s, back_s))
        plan.wrap(one, _restarting(plan, one, at_s, back_s))
        is_back = powered_s < math.inf
        fault = "switch that powers them restarts" if is_back else "shared switch dead"
        also = ("identity-changed", "packet-loss") if is_back else ()
        plan.truths.append(silence_truth(plan, one, fault, at_s, (*SILENT, *NETWORK), also=also))


def _restarting(
    plan: NightPlan, subject: str, at_s: float, back_s: float
) -> Callable[[Iterator[Item]], Iterator[Item]]:
    """A source that is dead for a time and starts with a number of its own; without an end it stays dead."""
    if subject == "media" or back_s == math.inf:
        return lambda before: stage.cut(before, at_s, back_s)
    first = plan.chance.below(256)

    def sends(before: Iterator[Item]) -> Iterator[Item]:
        again = plan.send(plan.desk_of(subject, start_s=back_s, first_sequence=first))
        return mixed(stage.cut(before, at_s), again)

    return sends


def closes(plan: NightPlan, subject: str, at_s: float) -> None:
    """A stop with the stream-terminated bit in show: a warning once the timeout is over."""
    plan.silences.append(Silence(subject, at_s))
    plan.parts[subject] = lambda: plan.send(plan.desk_of(subject, stop_s=at_s, closes=True))
    plan.truths.append(silence_truth(plan, subject, f"{subject} closed", at_s, ("stream-terminated",)))


def reboots_quickly(plan: NightPlan, subject: str, at_s: float) -> None:
    """Back with other numbers before the loss timeout is over, even after a keep-alive of 0.9 s: it raises nothing.

    Its numbers may fit those of a loss: then both are possible.
    """
    back_s, first = at_s + plan.chance.between(0.6, 1.5), plan.chance.below(256)
    plan.wrap(
        subject,
        lambda before: mixed(
            stage.cut(before, at_s), plan.send(plan.desk_of(subject, start_s=back_s, first_sequence=first))
        ),
    )
    names, fault = plan.universes(subject), f"{subject} restarts quickly"
    one = Expected(fault, ("packet-loss",), (), names, at_s, at_s + WINDOW_DUE_S, is_owed=False)

    def truth() -> Expected | None:
        lives = plan.desk_of(subject, stop_s=at_s), plan.desk_of(subject, start_s=back_s, first_sequence=first)
        return one if may_be_loss(*lives) else None

    plan.truths.append(truth)


def lead_out(plan: NightPlan, subject: str, at_s: float) -> None:
    """One of the two leads of the main desk comes out."""
    lost = plan.chance.below(2)
    plan.half_s = at_s
    plan.parts["main"] = lambda: on_both(plan.main_desk(), at_s, lost=lost)
    plan.truths.append(silence_truth(plan, "main", "main's lead out", at_s, ("leg-lost",)))


def output_off(plan: NightPlan, subject: str, at_s: float) -> None:
    """One of several universes is switched off at the desk, or its group no longer comes here."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    plan.given_up.add(f"e131/{number}")
    if plan.chance.below(2):
        plan.main["listed"] = lambda t_s: [n for n in plan.numbers if n != number or t_s < at_s]
    plan.wrap("main", lambda before: stage.cut(before, at_s, 1e9, stage.universes(number)))
    plan.truths.append(silence_truth(plan, "main", "one output off", at_s, OUTPUT_CAUSES, (number,)))


def output_moves(plan: NightPlan, subject: str, at_s: float) -> None:
    """One of several universes continues under another number."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    plan.given_up.add(f"e131/{number}")
    plan.main["listed"] = lambda t_s: [n + 40 if n == number and t_s >= at_s else n for n in plan.numbers]
    plan.wrap("main", lambda before: changed(before, renumbered(40), at_s, stage.universes(number)))
    plan.truths.append(silence_truth(plan, "main", "universe moved", at_s, OUTPUT_CAUSES, (number,)))


def hands_over(plan: NightPlan, subject: str, at_s: float) -> None:
    """The main desk dies, the silent backup steps in, and may hand back."""
    steps_in_s = at_s + plan.chance.between(0.3, 6.0)
    back_s = steps_in_s + 12.0 if plan.chance.below(2) else math.inf
    plan.silences.append(Silence("main", at_s, back_s))
    first = plan.chance.below(256)

    def backup() -> Iterator[Item]:
        return plan.send(plan.backup_desk(start_s=steps_in_s, stop_s=back_s + 1.0, closes=True))

    def main(before: Iterator[Item]) -> Iterator[Item]:
        again = plan.send(plan.main_desk(start_s=back_s, first_sequence=first)) if back_s < math.inf else iter(())
        return mixed(stage.cut(before, at_s), again)

    plan.parts["stand-in"] = backup
    plan.wrap("main", main)
    # It opens once the timeout is over, whichever source sends by then.
    rules = ("universe-lost", "source-absent", "backup-in-control")
    causes = () if steps_in_s - at_s < E131_DUE_S or plan.querier_silent else SILENT
    universes = plan.universes("main")
    plan.truths.append(
        lambda: Expected("backup steps in", rules, causes, universes, at_s, at_s + 9.0, (*LOSSES, "flapping"))
    )


def lights_late(plan: NightPlan, subject: str, at_s: float) -> None:
    """The house lights are switched on late: healthy until 10 s after the start, then missing."""
    plan.lights["start_s"] = at_s - 10.0
    late = at_s - 10.0 > 9.5
    plan.silences.append(Silence("lights", 0.0, at_s - 10.0))
    if late:
        names = (f"e131/{LIGHTS}",)
        plan.truths.append(
            lambda: Expected(
                "lights switched on late", ("universe-missing",), (), names, 0.0, 11.5, is_owed=at_s - 10 > 11
            )
        )


def media_gap(plan: NightPlan, subject: str, at_s: float) -> None:
    """The media server pauses for less than Art-Net's timeout: healthy."""
    back_s = at_s + plan.chance.between(1.0, 5.0)
    plan.media_options["paused"] = lambda t_s: at_s <= t_s < back_s


def path_cut(plan: NightPlan, subject: str, at_s: float) -> None:
    """A switch on the path restarts, or stays dark: nothing arrives from anybody."""
    back_s = at_s + plan.chance.between(5.0, 30.0) if plan.chance.below(2) else math.inf
    alive = [one for one in plan.everyone() if not plan.is_silent(one, at_s)]
    for one in plan.parts.keys() - OF_THIS_COMPUTER:
        plan.wrap(one, lambda before: stage.cut(before, at_s, back_s))
    plan.silences += [Silence(one, at_s, back_s) for one in alive]
    plan.cut.append((at_s, back_s))

    if "media" in alive:
        # Art-Net that is back before it counts as lost has numbers missing.
        media = plan.universes("media")
        gap = Expected("path cut", ("packet-loss",), (), media, at_s, plan.seconds, is_owed=False)
        plan.truths.append(lambda: gap)

    def truth() -> Expected:
        slow_only = all(one == "media" for one in alive)
        names = {
            name for one in alive if one != "media" or back_s - at_s > ARTNET_DUE_S for name in plan.universes(one)
        }
        due_s = at_s + (ARTNET_DUE_S if slow_only else E131_DUE_S)
        causes: tuple[str, ...] = ("network-lost",) if len(alive) > 1 else ("source-lost", "network-lost")
        coincident = any(one.at_s != at_s and abs(one.at_s - at_s) < 5.0 for one in plan.silences)
        if coincident:
            causes = ("network-lost", "source-lost", "multicast-lost")
        # Art-Net is only missed after 10 s: until then it looks as if only multicast were gone.
        if "media" in alive:
            causes = (*causes, "multicast-lost")
        return Expected(
            "path cut",
            ("universe-lost",),
            causes,
            tuple(sorted(names)),
            at_s,
            due_s,
            (*LOSSES, "packet-loss"),
            bool(names),
        )

    plan.truths.append(truth)


def own_lead_out(plan: NightPlan, subject: str, at_s: float) -> None:
    """The listener's own lead is out for a while: no source is accused."""
    back_s = at_s + plan.chance.between(4.0, 15.0)
    for one in list(plan.parts):
        plan.wrap(one, lambda before: stage.cut(before, at_s - 0.01, back_s + 0.05))
    links = [link(t_s, up, network) for t_s, up in ((at_s, False), (back_s, True)) for network in range(1 + plan.two)]
    plan.parts["own link"] = lambda: seen(*links)
    plan.blind.append((at_s, back_s))
    plan.truths.append(lambda: Expected("own lead out", ("link-down",), (), (), at_s, at_s + 1.0))
