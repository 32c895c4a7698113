"""What can go wrong in a drawn house of two networks, and what is then true of it.

One lead of a desk out, a whole network or a desk gone, the listener's own leads swapped, a universe on the wrong
network, a lossy lead, packets that come twice, and a stranger that wins slots by per-address priority.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import backup_desk, main_desk, second_desk, tool
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.desk import Desk
from slotwatch.rehearse.looks import Look, fixed
from slotwatch.rehearse.night_plan import E131_DUE_S, LIGHTS, WINDOW_DUE_S, Expected, loss_due_s
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.rehearse.two_networks import second_address

SECONDS = 55.0
FOREVER_S = 100.0
NEAR_S = 5.0
"""What stops within less of each other may have stopped together."""
ABSENT = {"main": "source-absent", "backup": "backup-absent"}
LOSSES = ("universe-lost", "source-absent", "backup-absent", "backup-in-control", "universe-missing")
RIVALS = ("source-conflict", "unexpected-source", "slot-priority-faulty", "backup-differs", "backup-in-control")
SIDE = ("packet-loss", "uneven-refresh", "slow-refresh", *LOSSES)
Leg = tuple[str, int]


@dataclass(slots=True)
class TwoNetworks:
    """One such show while it is drawn."""

    chance: Chance
    names: tuple[str, str]
    numbers: tuple[int, ...]
    homes: dict[int, tuple[int, ...]]
    """Networks that each E1.31 universe is declared on."""
    artnet: tuple[int, ...]
    look: Callable[[int], Look]
    is_moving: bool
    subjects: tuple[str, ...]
    legs: dict[Leg, Callable[[], Iterator[Item]]] = field(default_factory=dict)
    """What a subject sends to a network; a trouble wraps it."""
    strangers: list[Callable[[], Iterator[Item]]] = field(default_factory=list)
    strangers_on: set[int] = field(default_factory=set)
    """Networks that they send to."""
    swapped_s: tuple[float, float] = (FOREVER_S, FOREVER_S)
    silences: list[tuple[str, int, float, float]] = field(default_factory=list)
    """Subject, network, from when, to when."""
    truths: list[Callable[[], Expected]] = field(default_factory=list)
    """Asked once all troubles are drawn."""

    def desk(self, subject: str, network: int, **more: object) -> Desk:
        numbers = self.numbers_of(subject, network)
        make = {"main": main_desk, "backup": backup_desk, "lights": second_desk}[subject]
        desk = make(numbers, self.look, **more)
        return (
            desk
            if network == 0
            else replace(desk, network=1, address=second_address(desk.address), seed=desk.seed + 20)
        )

    def numbers_of(self, subject: str, network: int) -> tuple[int, ...]:
        numbers = (LIGHTS,) if subject == "lights" else self.numbers
        return tuple(number for number in numbers if network in self.homes[number])

    def universes(self, subject: str, network: int) -> tuple[str, ...]:
        """Names of what a subject sends to a network, as the house writes them."""
        there = self.names[network]
        if subject == "media":
            return tuple(f"artnet/{number}@{there}" for number in self.artnet)
        return tuple(f"e131/{number}@{there}" for number in self.numbers_of(subject, network))

    def wrap(self, leg: Leg, change: Callable[[Iterator[Item]], Iterator[Item]]) -> None:
        before = self.legs[leg]
        self.legs[leg] = lambda: change(before())

    def cut(self, subject: str, network: int, at_s: float, to_s: float) -> None:
        self.wrap((subject, network), lambda before: stage.cut(before, at_s, to_s))
        self.silences.append((subject, network, at_s, to_s))
        # A short gap is not a loss, and its frames are missing.
        self.expect("gap", SIDE, (), self.universes(subject, network), at_s, FOREVER_S, is_owed=False)

    def is_away(self, subject: str, network: int, at_s: float, to_s: float) -> bool:
        return any(
            (one, on) == (subject, network) and from_s < to_s and back_s > at_s
            for one, on, from_s, back_s in self.silences
        )

    def rules_of(self, subject: str, network: int, at_s: float) -> tuple[str, ...]:
        """Whether another desk keeps the subject's universes alive there."""
        other = {"main": "backup", "backup": "main"}.get(subject, "")
        if other not in self.subjects:
            return ("universe-lost",)
        if self.is_away(other, network, at_s - NEAR_S, at_s + NEAR_S):
            return ("universe-lost", *ABSENT.values())
        return (ABSENT[subject],)

    def expect(
        self,
        fault: str,
        rules: tuple[str, ...] | Callable[[], tuple[str, ...]],
        causes: tuple[str, ...],
        universes: tuple[str, ...],
        at_s: float,
        due_s: float,
        also: tuple[str, ...] = (),
        *,
        is_owed: bool = True,
    ) -> None:
        """rules: asked at the end, where they depend on which others fall silent."""

        def truth() -> Expected:
            named = rules if isinstance(rules, tuple) else rules()
            return Expected(fault, named, causes, universes, at_s, due_s, also, is_owed)

        self.truths.append(truth)

    def expect_counted(
        self, fault: str, rule: str, leg: Leg, at_s: float, to_s: float, also: tuple[str, ...] = ()
    ) -> None:
        """Expect what is found by counting the frames of a lead: once they came for long enough."""

        def truth() -> Expected:
            from_s = at_s
            for subject, network, cut_s, back_s in sorted(self.silences, key=lambda one: one[2]):
                if (subject, network) == leg and cut_s < from_s + WINDOW_DUE_S and back_s > max(from_s, cut_s):
                    from_s = back_s
            due_s = from_s + WINDOW_DUE_S
            is_owed = self.is_moving and min(to_s, SECONDS - 1.0) > due_s
            return Expected(fault, (rule,), (), self.universes(*leg), at_s, due_s, also, is_owed)

        self.truths.append(truth)


Trouble = Callable[[TwoNetworks, str, float, float], str]
"""Takes the show, its subject, from when and to when; returns what it does, in words."""


def lead_out(plan: TwoNetworks, subject: str, at_s: float, to_s: float) -> str:
    """One of the two leads of a desk comes out."""
    network = plan.chance.below(2)
    _lose(plan, f"{subject}'s lead out", "leg-lost", subject, (network,), at_s, to_s)
    return f"{subject}'s lead on {plan.names[network]} is out"


def desk_dies(plan: TwoNetworks, subject: str, at_s: float, to_s: float) -> str:
    """A desk is gone from both networks."""
    _lose(plan, f"{subject} dead", "source-lost", subject, (0, 1), at_s, to_s)
    return f"{subject} is dead"


def _lose(
    plan: TwoNetworks, fault: str, cause: str, subject: str, networks: tuple[int, ...], at_s: float, to_s: float
) -> None:
    """Cut a subject off from networks, and expect its loss there."""
    for network in networks:
        plan.cut(subject, network, at_s, to_s)
    due_s = loss_due_s(subject, at_s)
    plan.expect(
        fault,
        lambda: tuple(rule for network in networks for rule in plan.rules_of(subject, network, at_s)),
        (cause,),
        tuple(name for network in networks for name in plan.universes(subject, network)),
        at_s,
        due_s,
        LOSSES,
        is_owed=to_s > due_s,
    )


def network_gone(plan: TwoNetworks, subject: str, at_s: float, to_s: float) -> str:
    """The switch of one network loses power. A stranger is at this computer's own switch: where one is heard, the
    desks were cut off there, and not the network. Where only one was left there, its lead looks the same."""
    network = plan.chance.below(2)
    # What had gone long before is not lost with it.
    there = [one for one in plan.subjects if not plan.is_away(one, network, at_s - NEAR_S, at_s - NEAR_S)]
    for one in plan.subjects:
        plan.cut(one, network, at_s, to_s)
    plan.expect(
        "network gone",
        ("universe-lost",),
        ("leg-lost", "network-lost") if network in plan.strangers_on or len(there) == 1 else ("network-lost",),
        tuple(name for one in there if one != "media" for name in plan.universes(one, network)),
        at_s,
        at_s + E131_DUE_S,
        LOSSES,
        is_owed=to_s > at_s + E131_DUE_S,
    )
    return f"the switch of {plan.names[network]} is dark"


def leads_swapped(plan: TwoNetworks, subject: str, at_s: float, to_s: float) -> str:
    """The listener's own two leads are swapped."""
    plan.swapped_s = (at_s, to_s)
    plan.expect("own leads swapped", ("networks-swapped",), (), (), at_s, at_s + 6.5, is_owed=to_s > at_s + 9.0)
    return "the listener's leads are swapped"


def on_the_wrong_network(plan: TwoNetworks, subject: str, at_s: float, to_s: float) -> str:
    """One universe that is declared on one network goes to the other one."""
    number = next(one for one in plan.numbers if len(plan.homes[one]) == 1)
    home = plan.homes[number][0]
    group = stage.universes(number)
    plan.wrap((subject, home), lambda before: stage.cut(before, at_s, to_s, group))
    stray = replace(plan.desk(subject, home), network=1 - home, discovery=False, start_s=at_s, stop_s=to_s)
    address = plan.desk(subject, 1 - home).address
    wanted = tuple(out for out in stray.outputs if out.number == number)
    stray = replace(stray, outputs=wanted, address=address, first_sequence=plan.chance.below(256))
    plan.wrap((subject, 1 - home), lambda before: mixed(before, stray.sends()))
    plan.silences.append((subject, home, at_s, to_s))
    plan.expect("gap", SIDE, (), plan.universes(subject, home), at_s, FOREVER_S, is_owed=False)
    plan.expect(
        "universe on the wrong network",
        lambda: plan.rules_of(subject, home, at_s),
        ("wrong-network",),
        (f"e131/{number}@{plan.names[home]}",),
        at_s,
        at_s + E131_DUE_S,
        LOSSES,
        is_owed=to_s > at_s + E131_DUE_S + 1.0,
    )
    return f"{subject}'s universe {number} goes to {plan.names[1 - home]}"


def lead_loses(plan: TwoNetworks, subject: str, at_s: float, to_s: float) -> str:
    """The path of one lead loses frames."""
    network = plan.chance.below(2)
    ratio, seed = plan.chance.between(0.06, 0.3), plan.chance.below(1 << 30)
    plan.wrap((subject, network), lambda before: stage.lossy(before, ratio, seed, at_s, to_s))
    plan.expect_counted(f"lossy lead of {subject}", "packet-loss", (subject, network), at_s, to_s, SIDE)
    return f"{subject}'s lead on {plan.names[network]} loses {ratio:.0%}"


def lead_doubles(plan: TwoNetworks, subject: str, at_s: float, to_s: float) -> str:
    """Each packet of one lead comes twice."""
    network = plan.chance.below(2)
    plan.wrap((subject, network), lambda before: stage.doubled(before, 1, 0.0003, at_s, to_s))
    plan.expect_counted(f"doubled lead of {subject}", "repeated-packets", (subject, network), at_s, to_s)
    return f"{subject}'s packets on {plan.names[network]} come twice"


def slots_taken(plan: TwoNetworks, subject: str, at_s: float, to_s: float) -> str:
    """A stranger whose per-address priorities win all, some or none of the slots of one universe."""
    network = plan.chance.below(2)
    there = plan.numbers_of("main", network)
    number = there[plan.chance.below(len(there))]
    given = (150, 150, 101, 50)[plan.chance.below(4)]
    slots = (512, 256, 24, 1)[plan.chance.below(4)]
    first = plan.chance.below(513 - slots)
    table = bytes(first) + bytes((given,)) * slots + bytes(512 - first - slots)
    desk = tool((number,), priority=100, start_s=at_s, stop_s=to_s, slot_priorities=fixed(table))
    if network:
        desk = replace(desk, network=1, address=second_address(desk.address))
    plan.strangers.append(lambda: desk.sends(SECONDS))
    plan.strangers_on.add(network)
    plan.expect(
        f"stranger with 0xDD {given}",
        ("unexpected-source", "source-conflict"),
        (),
        (f"e131/{number}@{plan.names[network]}",),
        at_s,
        at_s + 7.0,
        RIVALS,
        is_owed=to_s > at_s + 7.0,
    )
    return f"a stranger sends 0xDD {given} for {slots} slots from {first + 1} of e131/{number}@{plan.names[network]}"


_OF_DESKS: tuple[Trouble, ...] = (lead_out, lead_out, lead_out, desk_dies, lead_loses, lead_doubles)


def troubles_of(plan: TwoNetworks, subject: str) -> tuple[Trouble, ...]:
    """The troubles that a subject can have, each as often as it is to be drawn."""
    if subject == "stranger":
        return (slots_taken,)
    if subject == "listener":
        return (leads_swapped,)
    if subject == "path":
        return (network_gone,)
    if subject == "media":
        return (lead_out, desk_dies)
    is_movable = subject == "main" and any(len(plan.homes[number]) == 1 for number in plan.numbers)
    return (*_OF_DESKS, *(on_the_wrong_network,) * (3 if is_movable else 0))
