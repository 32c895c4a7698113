"""Shows of a house of two networks: a seed draws desks with a lead on each, and up to three troubles."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from slotwatch.rehearse import stage
from slotwatch.rehearse.anytwo_troubles import FOREVER_S, NEAR_S, SECONDS, TwoNetworks, troubles_of
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.looks import Look, changed_at, held, moving
from slotwatch.rehearse.night_plan import LIGHTS, Expected
from slotwatch.rehearse.nights import Night, jitter
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.scenario import Scenario, Truth
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.rehearse.two_networks import media_legs, two_networks

NAMES = (("A", "B"), ("stage", "gallery"), ("north", "south"))


def any_two(seed: int) -> Night:
    """Draw one show of a house of two networks; the same seed is always the same show."""
    chance = Chance(seed * 15_485_863 + 29)
    plan = _drawn(chance)
    told = []
    free = [*plan.subjects, "stranger", "stranger", "listener", "path"]
    at_s = chance.between(8.0, 20.0)
    for _ in range((chance.below(7) + 1) // 2):
        subject = free[chance.below(len(free))]
        free = [one for one in free if one != subject]
        troubles = troubles_of(plan, subject)
        trouble = troubles[chance.below(len(troubles))]
        to_s = at_s + (1.8, 6.0, 12.0, FOREVER_S, FOREVER_S)[chance.below(5)]
        told.append(f"{trouble(plan, subject, at_s, to_s)} at {at_s:.1f} s for {to_s - at_s:g} s")
        if subject in ("listener", "path"):
            break  # it is about all of them
        low_s, high_s = ((0.0, 0.05), (0.05, 3.0), (3.0, 15.0))[chance.below(3)]
        at_s += chance.between(low_s, high_s)
        if at_s > SECONDS - 16:
            break

    def items() -> Iterator[Item]:
        going = mixed(*(part() for part in plan.legs.values()), *(part() for part in plan.strangers))
        for item in stage.delayed(going, jitter(Chance(seed)), 0.002):
            if item.t_ns >= SECONDS * 1e9:
                return
            yield _swapped(item, plan.swapped_s)

    house = two_networks(
        (*plan.numbers, LIGHTS),
        plan.artnet,
        sources=tuple("second" if one == "lights" else one for one in plan.subjects),
        on={number: plan.names[on[0]] for number, on in plan.homes.items() if len(on) == 1},
        names=plan.names,
    )
    scenario = Scenario(f"two-{seed}", "", "; ".join(told) or "nothing", items, SECONDS, house, Truth(), live=False)
    truths = _settled(plan)
    owed = tuple(one for one in truths if one.is_owed)
    return Night(seed, scenario, owed, tuple(one for one in truths if not one.is_owed))


def _drawn(chance: Chance) -> TwoNetworks:
    first = 1 + chance.below(6)
    numbers = tuple(range(first, first + 2 + chance.below(3)))
    homes: dict[int, tuple[int, ...]] = dict.fromkeys((*numbers, LIGHTS), (0, 1))
    if chance.below(2):
        homes[numbers[0]] = (chance.below(2),)
    if len(numbers) > 2 and chance.below(4) == 0:
        homes[numbers[1]] = homes[numbers[0]]
    is_moving, level = chance.below(3) > 0, chance.below(200)

    def look(number: int) -> Look:
        if is_moving:
            return moving(offset=number * 5)
        return changed_at((0.0, held(level)), (3.0 + number * 0.13, held(level + 20)))

    artnet = tuple(range(chance.below(3)))
    subjects = ("main", *(("backup",) if chance.below(2) else ()), "lights", *(("media",) if artnet else ()))
    names = NAMES[chance.below(len(NAMES))]
    plan = TwoNetworks(chance, names, numbers, homes, artnet, look, is_moving, subjects)
    for network in (0, 1):
        for subject in subjects:
            if subject == "media":
                plan.legs[subject, network] = media_legs(artnet, look=look)[network].sends
            else:
                plan.legs[subject, network] = plan.desk(subject, network).sends
    return plan


def _settled(plan: TwoNetworks) -> list[Expected]:
    """What is true of the whole: things that stop in one moment, or while the leads are swapped, cannot be
    distinguished."""
    swapped_s = plan.swapped_s
    found, every = [], [truth() for truth in plan.truths]
    for one in every:
        near = [other for other in every if other is not one and abs(other.at_s - one.at_s) < NEAR_S]
        causes, rules = one.causes, one.rules
        if causes and any(other.causes for other in near):
            # They are one incident, of the widest of their rules.
            rules = tuple(dict.fromkeys((*rules, *(rule for other in near if other.causes for rule in other.rules))))
            causes = (
                *causes,
                *(cause for other in near for cause in other.causes),
                "network-lost",
                "leg-lost",
                "unknown",
                # Where Art-Net, sent by broadcast, continues there.
                *(("multicast-lost",) if "media" in plan.subjects else ()),
            )
        is_seen = one.rules == ("networks-swapped",) or max(one.due_s, one.at_s) + 2 < swapped_s[0]
        # What lasts then arrives on the other network.
        names = one.universes if is_seen else tuple(name.partition("@")[0] for name in one.universes)
        found.append(replace(one, rules=rules, causes=causes, universes=names, is_owed=one.is_owed and is_seen))
    return found


def _swapped(item: Item, swapped_s: tuple[float, float]) -> Item:
    if isinstance(item, Sent) and swapped_s[0] <= item.t_ns / 1e9 < swapped_s[1]:
        return replace(item, network=1 - item.network)
    return item
