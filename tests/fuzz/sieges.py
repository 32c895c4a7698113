"""Two or three attackers at once, that start, stop and come again, beside a desk that is well or truly fails.

    python -m tests.fuzz.sieges [COUNT [FIRST]]

A siege is drawn from a number, so each can be played again. What must hold is checked at its stops, at most a minute
apart.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from dataclasses import replace
from math import ceil

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Limits, Line
from slotwatch.model.admission import MOST_BRIEF
from slotwatch.snapshot import Incident
from slotwatch.wire.observation import LineSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.fuzz.attackers import DESK_ADDRESS, DESK_CID, DESK_UNIVERSES, KINDS, LINE, Attack
from tests.fuzz.bounds import hold_bounds
from tests.judge.stage import START_NS, Desk, S, Stage, house_of, moving, opened_after_s

OTHER_CID, OTHER_UNIVERSES = b"\x43" * 16, (11, 12)
DESKS = (
    DeclaredSource("Desk A", cid=DESK_CID, address=DESK_ADDRESS),
    DeclaredSource("Desk B", cid=OTHER_CID, address="10.0.0.2"),
)
HOUSE: House = replace(
    house_of((), sources=DESKS, lines=(Line("proscenium", LINE, "/dev/ttyUSB0"),)),
    universes=tuple(
        DeclaredUniverse(UniverseId(Protocol.E131, number), sources=(name,), limits=Limits(min_refresh_hz=5))
        for name, numbers in (("Desk A", DESK_UNIVERSES), ("Desk B", OTHER_UNIVERSES))
        for number in numbers
    ),
)
HZ = 20.0
FLOOD = frozenset({"packet-flood"})
RUBBISH = frozenset({"malformed-packets", "packet-flood"})
SAYS: dict[str, frozenset[str]] = {
    "invented_senders": frozenset({"too-many-sources"}),
    "invented_artnet": frozenset({"too-many-sources"}),
    "clones": frozenset({"too-many-sources", "duplicate-identity"}),
    "rubbish_of_one": RUBBISH,
    "rubbish_of_some": RUBBISH,
    "rubbish_of_many": RUBBISH,
    "ends_in_the_desks_name": frozenset({"false-end", "sequence-unusable"}),
    # Where its numbers lie close to the desk's they look late.
    "a_second_desk_in_its_name": frozenset({"sequence-unusable", "out-of-order"}),
    "line_noise": frozenset({"line-faulty"}),
}
"""Rules of which one at least says what an attack is; FLOOD for all others."""
BESIDE: dict[str, frozenset[str]] = {
    "clones": frozenset({"source-conflict", "unexpected-source"}),
    "ends_in_the_desks_name": frozenset({"universe-lost", "preview-only"}),
    "invented_universes": frozenset({"too-many-sources"}),
}
"""Rules that may be raised beside them, because what they say is true as well."""
IN_ITS_NAME = frozenset({"ends_in_the_desks_name", "a_second_desk_in_its_name"})
"""Attackers with the desk's own identity and address."""
IN_ITS_NAME_SHARE = 0.3
TOLD_S = 4.0
"""For how long the desk has to send beside them until they are reported."""
ON_ITS_UNIVERSES = IN_ITS_NAME | {"invented_senders", "clones"}
"""Attackers that keep the desk's universes going for as long as they send."""
LOSSES = frozenset({"universe-lost", "source-absent", "universe-missing"})
LOSS_S = 2.5 + 0.6
"""ANSI E1.31-2018 6.7.1, and how late a pass on a busy stage may be."""
QUIET_S = 95.0
"""Until all is closed: new senders count for 10 s, and a crowd is watched for a minute after that."""


class Siege:
    """One drawn siege, and what must hold throughout."""

    def __init__(self, number: int) -> None:
        chance = random.Random(number)
        self.kinds = chance.sample(sorted(KINDS.keys() - IN_ITS_NAME), chance.choice((2, 2, 3)))
        # Drawn apart, so that what else a number stands for does not depend on them.
        own = random.Random(f"in its name {number}")
        if own.random() < IN_ITS_NAME_SHARE:
            self.kinds[-1] = own.choice(sorted(IN_ITS_NAME))
        self.attacks: list[Attack] = []
        for kind in self.kinds:
            from_s, hz = 13.0 + chance.uniform(0, 4), 12_000.0 if kind == "small_packets" else 3000.0
            for _ in range(chance.choice((1, 1, 2))):  # it may come again
                lasts_s = chance.uniform(4.5, 6.0)
                self.attacks.append(Attack(kind, chance.randrange(1 << 30), from_s, from_s + lasts_s, hz))
                from_s += lasts_s + chance.uniform(2.0, 12.0)
        self.over_s = max(one.to_s for one in self.attacks)
        self.dies_s = chance.uniform(14.0, self.over_s) if chance.random() < 0.5 else None
        lasts = {} if self.dies_s is None else {"to_s": self.dies_s}
        desk = Desk("Desk A", DESK_UNIVERSES, DESK_ADDRESS, hz=HZ, levels=moving(64, hz=HZ), cid=DESK_CID, **lasts)
        other = Desk("Desk B", OTHER_UNIVERSES, "10.0.0.2", hz=HZ, levels=moving(64, hz=HZ), cid=OTHER_CID)
        self.stage = Stage(HOUSE, desk, other, *self.attacks)
        for one in self.attacks:
            for t_s, seen in one.seen:
                self.stage.observations.append((t_s, seen))
        noise_s = max((one.to_s for one in self.attacks if one.kind == "line_noise"), default=0.0)
        for after in range(2, 20):
            at_s = noise_s + after
            self.stage.observations.append((at_s, LineSeen(START_NS + round(at_s * S), LINE, True, "", 90_000, 4400)))
        self.stage.observations.sort(key=lambda pair: pair[0])

    def run(self) -> None:
        """AssertionError where something does not hold; any other exception is the program's own fault."""
        over_s = float(ceil(self.over_s))
        for until_s in (15.0, 30.0, over_s + 5.0, over_s + 60.0, over_s + QUIET_S):
            if until_s > self.stage.now_s:
                self.stage.run(until_s)
                self._hold()
        self._tell()
        still_open = [one for one in self.stage.open if not self._is_the_desks(one)]
        assert not still_open, [(one.rule, one.summary) for one in still_open]
        model = self.stage.model
        # So many that came for moments are kept for a day: a person may look for them.
        assert model.streams.filled <= len(HOUSE.universes) + MOST_BRIEF, "a flood left streams"
        assert model.sources.filled <= len(DESKS) + MOST_BRIEF, "a flood left sources"

    def _hold(self) -> None:
        model = self.stage.model
        assert model.now_ns == self.stage.now_ns, "time is the one that is passed in"
        hold_bounds(model)
        for one in self.stage.all:
            closed_ns = one.closed_ns or self.stage.now_ns
            # What failed again or was widened has the beginning of what it is about now, and its first opening.
            is_first = not one.flaps and not any(entry.what == "widened" for entry in one.timeline)
            in_order = one.opened_ns <= closed_ns <= self.stage.now_ns
            in_order &= one.began_ns <= (one.opened_ns if is_first else closed_ns)
            assert in_order, (one.rule, one.began_ns, one.opened_ns, closed_ns, one.summary)
            times_ns = [entry.t_ns for entry in one.timeline]
            assert times_ns[1:] == sorted(times_ns[1:]), one.timeline
            others = {f"e131/{number}" for number in OTHER_UNIVERSES}
            assert others.isdisjoint(one.universes), f"a desk that is well is blamed: {one.summary}"

    def _is_the_desks(self, one: Incident) -> bool:
        return self.dies_s is not None and one.rule in LOSSES

    def _tell(self) -> None:
        every = self.stage.all
        told = [(one.rule, one.cause, one.summary) for one in every]
        may_be: Counter[str] = Counter()
        for attack in self.attacks:
            says = SAYS.get(attack.kind, FLOOD)
            may_be.update(says | BESIDE.get(attack.kind, frozenset()))
            if attack.kind in IN_ITS_NAME and self.dies_s is not None and self.dies_s < attack.from_s + TOLD_S:
                continue  # the desk itself hardly sends any more: only one sender is left
            assert any(one.rule in says for one in every), (attack.kind, told)
        count = Counter(one.rule for one in every if not self._is_the_desks(one) and one.severity > 1)
        assert count <= may_be, (count - may_be, told)
        if self.dies_s is not None:
            self._tell_failure(self.dies_s)

    def _tell_failure(self, dies_s: float) -> None:
        on_its = [one.to_s for one in self.attacks if one.kind in ON_ITS_UNIVERSES and one.to_s > dies_s - 3]
        due_s = max([dies_s, *on_its]) + LOSS_S
        own = {f"e131/{number}" for number in DESK_UNIVERSES}
        found = [one for one in self.stage.all if one.rule in LOSSES and own & set(one.universes)]
        in_time = [one for one in found if dies_s <= opened_after_s(one) <= due_s]
        assert in_time, ("not found in time", dies_s, due_s, [(opened_after_s(one), one.summary) for one in found])
        if not on_its:
            # What a forged end stopped before the desk failed is another loss.
            (loss,) = [one for one in found if one in in_time or not IN_ITS_NAME & set(self.kinds)]
            assert (set(loss.universes), loss.cause) == (own, "source-lost"), loss.summary
            assert f'lost from "Desk A" ({DESK_ADDRESS}) ' in loss.summary


def main(count: int, first: int = 1) -> int:
    """Play so many sieges from this number on."""
    failed = 0
    for number in range(first, first + count):
        siege = Siege(number)
        print(number, siege.kinds, f"dies at {siege.dies_s}", flush=True)
        try:
            siege.run()
        except AssertionError as error:
            failed += 1
            print(f"siege {number}: {error}", file=sys.stderr)
    print(f"{count - failed} of {count} sieges: everything held")
    return bool(failed)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, int(sys.argv[2]) if len(sys.argv) > 2 else 1))
