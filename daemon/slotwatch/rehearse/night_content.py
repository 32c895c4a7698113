"""Faults of random nights in what is sent and by whom, and what looks odd and is healthy."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from slotwatch.rehearse import packets
from slotwatch.rehearse.cast import OTHER_MEDIA, TOOL, main_desk, media_server, moves, ns, rests, tool
from slotwatch.rehearse.desk import BROADCAST, LISTENER, Desk, cid_of, outputs
from slotwatch.rehearse.looks import changed_at, held
from slotwatch.rehearse.night_plan import (
    Expected,
    NightPlan,
    Silence,
    silence_truth,
)
from slotwatch.rehearse.packets import FORCE_SYNC, PREVIEW, Sent
from slotwatch.rehearse.rewriting import PRIORITY, START_CODE, changed, flagged, put, trimmed
from slotwatch.rehearse.stage import Item, mixed

ANY_LOSS = ("source-lost", "path-or-sender", "universe-withdrawn", "unknown")
RIVALS = ("source-conflict", "unexpected-source", "backup-differs", "slot-priority-faulty", "too-many-sources")


def preview_left_on(plan: NightPlan, subject: str, at_s: float) -> None:
    plan.silences.append(Silence("main", at_s))
    plan.preview_s = at_s
    plan.wrap("main", lambda before: changed(before, flagged(PREVIEW), at_s))
    loss = silence_truth(plan, "main", "preview left on", at_s, ANY_LOSS, also=("preview-only",))

    def truth() -> Expected:
        found = loss()
        return replace(found, rules=(*found.rules, "preview-only"), causes=())

    plan.truths.append(truth)


def wrong_start_code(plan: NightPlan, subject: str, at_s: float) -> None:
    """All that follows is text, and no levels."""
    plan.silences.append(Silence(subject, at_s))
    plan.wrap(subject, lambda before: changed(before, put(START_CODE, b"\x17"), at_s))
    causes = ("path-or-sender", "universe-withdrawn", "unknown")
    plan.truths.append(silence_truth(plan, subject, f"{subject} sends no levels", at_s, causes))


def frames_short(plan: NightPlan, subject: str, at_s: float) -> None:
    """The desk trims its frames; fixtures are patched beyond."""
    first = plan.numbers[0]
    lines = "".join(f"wash {n},e131/{first},{n * 20 + 1},20\n" for n in range(25))
    plan.house["patch"] = f"fixture,universe,address,footprint\n{lines}"
    slots = 24 + plan.chance.below(400)
    plan.wrap("main", lambda before: changed(before, trimmed(slots), at_s))
    names = (f"e131/{first}",)
    # A stranger that sends all slots covers those that are missing.
    plan.truths.append(
        lambda: Expected(
            "frames trimmed",
            ("short-frame",),
            (),
            names,
            at_s,
            at_s + 7.5,
            is_owed="intruder" not in plan.parts and plan.silent_from_s("main", at_s) > at_s + 7.5,
        )
    )


def sync_stops(plan: NightPlan, subject: str, at_s: float) -> None:
    """Receivers freeze, or continue by themselves where the desk asks for it: that is a note."""
    plan.main["sync_stop_s"] = at_s
    names, is_note = plan.universes("main"), plan.chance.below(2) > 0
    if is_note:
        plan.main["options"] = FORCE_SYNC
    fault = "sync stops, receivers continue" if is_note else "sync stops"
    plan.truths.append(lambda: Expected(fault, ("sync-missing",), (), names, at_s, at_s + 4.5, is_note=is_note))


def slot_priorities_stop(plan: NightPlan, subject: str, at_s: float) -> None:
    plan.main["slot_priorities"] = lambda t_s: bytes((100,)) * 512 if t_s < at_s else b""
    names = plan.universes("main")
    plan.truths.append(
        lambda: Expected(
            "per-slot priorities stop", ("slot-priority-faulty",), (), names, at_s, at_s + 5.0, ("backup-in-control",)
        )
    )


def backup_out_of_step(plan: NightPlan, subject: str, at_s: float) -> None:
    """The backup stays in a look of its own."""
    other = held(250)
    desk = plan.backup_desk()
    stuck = replace(
        desk,
        outputs=tuple(replace(out, look=changed_at((0.0, out.look), (at_s, other))) for out in desk.outputs),
    )
    plan.parts["backup"] = lambda: plan.send(stuck)
    plan.still_s["backup"] = at_s
    names = plan.universes("backup")

    def truth() -> Expected:
        is_owed = plan.silent_from_s("main", 0.0) > at_s + 14 and plan.silent_from_s("backup", 0.0) > at_s + 14
        # If a main desk's numbers stay the same, receivers discard the levels that a backup could follow.
        is_owed = is_owed and not plan.outranked and not plan.unnumbered & {"main", "backup"}
        kept = tuple(name for name in names if name not in plan.given_up)
        return Expected("backup out of step", ("backup-differs",), (), kept, at_s, at_s + 16.0, (), is_owed)

    plan.truths.append(truth)


def backup_takes_over(plan: NightPlan, subject: str, at_s: float) -> None:
    """The backup rises above the main desk, which is still there."""
    plan.backup_above = True
    plan.wrap("backup", lambda before: changed(before, put(PRIORITY, bytes((101,))), at_s))
    names = tuple(name for name in plan.universes("backup") if name not in plan.given_up)
    due_s = at_s + 7.0
    also = ("unexpected-source", "slot-priority-faulty")

    def truth() -> Expected:
        # It controlled what no other source sends before, too. Per-address priorities decide, where both send them.
        desks = ("main", "backup")
        stays = all(not plan.is_silent(one, at_s) and plan.silent_from_s(one, at_s) > at_s + 7.0 for one in desks)
        is_owed = stays and "slot_priorities" not in plan.common and not plan.outranked
        # A main desk that rose further stays in control: the backup is above its declared priority in vain.
        is_below = plan.raised_s.get("main", math.inf) < due_s
        rules = ("unexpected-source",) if is_below else ("backup-in-control",)
        return Expected("backup takes over", rules, (), names, at_s, due_s, (*also, "backup-in-control"), is_owed)

    plan.truths.append(truth)


def intruder(plan: NightPlan, subject: str, at_s: float) -> None:
    """A forgotten second console or a test tool, at rest or moving, at the same priority, below or above."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    priority = (50, 100, 100, 150)[plan.chance.below(4)]
    look = moves if plan.chance.below(2) else rests
    desk = tool((number,), look if look is rests else lambda n: moves(n + 3), start_s=at_s, priority=priority)
    plan.parts["intruder"] = desk.sends
    if priority >= 100:
        plan.rival_s[number] = at_s
    _taken(plan, f"intruder at priority {priority}", number, at_s)


def takeover_by_slots(plan: NightPlan, subject: str, at_s: float) -> None:
    """A stranger at the usual priority whose per-address priorities win every slot."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    plan.parts["intruder"] = tool((number,), start_s=at_s, slot_priorities=held(150)).sends
    plan.rival_s[number] = at_s
    _taken(plan, "takeover by per-address priority", number, at_s)


def _taken(plan: NightPlan, fault: str, number: int, at_s: float) -> None:
    plan.taken.add(number)
    rules = ("source-conflict", "unexpected-source")
    names = (f"e131/{number}",)
    plan.truths.append(lambda: Expected(fault, rules, (), names, at_s, at_s + 7.0, RIVALS))


def lights_on_a_desk_universe(plan: NightPlan, subject: str, at_s: float) -> None:
    """The house lights' controller also sends one of the desk's universes: a setting that was copied."""
    number = plan.numbers[plan.chance.below(len(plan.numbers))]
    desk = plan.lights_desk()
    extra = replace(desk, outputs=outputs((number,), rests, priority=100), start_s=at_s, discovery=False)
    plan.wrap("lights", lambda before: mixed(before, plan.send(extra)))
    plan.rival_s[number] = at_s
    _taken(plan, "house lights on a desk's universe", number, at_s)


def second_media(plan: NightPlan, subject: str, at_s: float) -> None:
    """A second Art-Net controller on the media server's universe."""
    number = plan.artnet[0]
    desk = media_server((number,), lambda _: held(200), address=OTHER_MEDIA, start_s=at_s, keep_alive_s=1.0)
    plan.parts["second media"] = desk.sends
    rules = ("source-conflict", "unexpected-source")
    names = (f"artnet/{number}",)
    plan.truths.append(lambda: Expected("second Art-Net controller", rules, (), names, at_s, at_s + 12.0, RIVALS))


def malformed(plan: NightPlan, subject: str, at_s: float) -> None:
    """Somebody's program sends what no protocol accepts."""
    kind = plan.chance.below(4)
    per_s = plan.chance.between(4.0, 20.0)

    def junk(count: int) -> tuple[int, bytes]:
        if kind == 0:
            return 5568, b'{"temperature": %d}' % count
        if kind == 1:
            return 6454, packets.art_dmx(0, count % 255 + 1, bytes(512), length=600)
        if kind == 2:
            return 5568, packets.e131_data(cid_of("zero"), "Zero", 0, count, bytes(512))
        good = packets.e131_data(cid_of("junk"), "Junk", 1, count, bytes(512))
        return 5568, good[:18] + b"\0\0\0\x63" + good[22:]

    def sends() -> Iterator[Item]:
        for count in range(round((plan.seconds - at_s) * per_s)):
            port, payload = junk(count)
            yield Sent(ns(at_s + count / per_s), 0, TOOL, 40000, LISTENER, port, payload, 64)

    plan.parts["junk"] = sends
    plan.truths.append(lambda: Expected("malformed packets", ("malformed-packets",), (), (), at_s, at_s + 4.5))


def poll_flood(plan: NightPlan, subject: str, at_s: float) -> None:
    """A faulty controller sends 2,500 Art-Net polls a second for six seconds."""
    per_s = 2500

    def sends() -> Iterator[Item]:
        for count in range(6 * per_s):
            yield Sent(ns(at_s + count / per_s), 0, TOOL, 6454, BROADCAST, 6454, packets.art_poll(), 64)

    plan.parts["junk"] = sends
    plan.truths.append(lambda: Expected("flood of polls", ("packet-flood",), (), (), at_s, at_s + 5.5))


# --- odd and healthy ----------------------------------------------------------------------------------


def visualiser(plan: NightPlan) -> None:
    """The main desk's blind output to a visualiser, with the preview bit."""
    blind = main_desk(plan.numbers[:1], lambda _: held(10), options=PREVIEW, cid=cid_of("Visual"), seed=7)
    plan.parts["visualiser"] = replace(blind, discovery=False).sends
    names = (f"e131/{plan.numbers[0]}",)

    def alone() -> Expected | None:
        silent_s = [one.at_s for one in plan.silences if one.subject in ("main", "backup")]
        found = Expected("blind output alone", ("preview-only",), (), names, min(silent_s, default=0.0), math.inf)
        return replace(found, is_owed=False, is_unknown=True) if silent_s else None

    plan.truths.append(alone)


def visitor(plan: NightPlan) -> None:
    """A visiting tour's console on universes of its own."""
    start_s = plan.chance.between(0.0, 20.0)
    desk = Desk("Tour", TOOL, outputs((101, 102, 103), moves), start_s=start_s, seed=11)
    plan.parts["visitor"] = desk.sends
    plan.strangers += ["e131/101", "e131/102", "e131/103"]


def listed_only(plan: NightPlan) -> None:
    """A source that only sends its discovery list."""
    plan.parts["listed"] = Desk("Spare", "192.0.2.77", (), listed=lambda t_s: [201, 202], seed=12).sends


def other_codes(plan: NightPlan) -> None:
    """Text and test packets beside the levels, each second."""

    def sends() -> Iterator[Item]:
        for count in range(int(plan.seconds)):
            payload = packets.e131_data(cid_of("Texts"), "Texts", plan.numbers[0], count, bytes(96), start_code=0x17)
            yield Sent(ns(count + 0.2), 0, "192.0.2.78", 50001, packets.group(plan.numbers[0]), 5568, payload)

    plan.parts["texts"] = sends


def polled(plan: NightPlan) -> None:
    """A controller polls and a node answers."""

    def sends() -> Iterator[Item]:
        for count in range(int(plan.seconds / 3)):
            yield Sent(ns(3 * count + 0.5), 0, "192.0.2.79", 6454, "192.0.2.255", 6454, packets.art_poll(), 64)
            reply = packets.art_poll_reply("192.0.2.41", "Node", [5])
            yield Sent(ns(3 * count + 0.6), 0, "192.0.2.41", 6454, "192.0.2.255", 6454, reply, 64)

    plan.parts["polls"] = sends


ODDITIES = (visualiser, visitor, listed_only, other_codes, polled)
