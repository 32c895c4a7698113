"""The network between pretend senders and the listener: several senders mixed, and what a bad path does.

Every effect takes a stream of packets and observations in order of time and yields one; those that draw
take a seed, so that a scenario is the same each time.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from slotwatch.durations import NANOSECONDS
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.packets import Sent
from slotwatch.wire.observation import DropsSeen, ListenerSeen, Observation

Item = Sent | Observation
Match = Callable[[Sent], bool]


def _time_ns(item: Item) -> int:
    return item.t_ns


def mixed(*streams: Iterable[Item]) -> Iterator[Item]:
    """Several senders and observations on one time line."""
    return heapq.merge(*streams, key=_time_ns)


def everything(sent: Sent) -> bool:
    return True


def universes(*numbers: int) -> Match:
    """Match E1.31 packets that were sent to the groups of these universes (by destination alone)."""
    wanted = {f"239.255.{number >> 8}.{number & 0xFF}" for number in numbers}
    return lambda sent: sent.dst in wanted


def sender(*addresses: str) -> Match:
    return lambda sent: sent.src in addresses


def multicast(sent: Sent) -> bool:
    return sent.dst.startswith("239.") or sent.dst.startswith("ff")


def cut(items: Iterable[Item], from_s: float, to_s: float = math.inf, match: Match = everything) -> Iterator[Item]:
    """Nothing that matches arrives between two moments."""
    first = round(from_s * NANOSECONDS)
    last = first if math.isinf(to_s) else round(to_s * NANOSECONDS)
    for item in items:
        if math.isinf(to_s) and item.t_ns >= first:
            if match is everything:
                return  # nothing is left, and a sender may never end
            last = item.t_ns + 1
        if isinstance(item, Sent) and first <= item.t_ns < last and match(item):
            continue
        yield item


def lossy(
    items: Iterable[Item],
    ratio: float,
    seed: int,
    from_s: float = 0.0,
    to_s: float = 1e12,
    match: Match = everything,
) -> Iterator[Item]:
    """Each packet is lost independently with this probability."""
    chance = Chance(seed)
    for item in items:
        if (
            isinstance(item, Sent)
            and from_s * NANOSECONDS <= item.t_ns < to_s * NANOSECONDS
            and match(item)
            and chance.unit() < ratio
        ):
            continue
        yield item


def damaged(items: Iterable[Item], ratio: float, seed: int, from_s: float) -> Iterator[Item]:
    """Some packets arrive with a wrong checksum: the kernel drops them, and their count is seen."""
    chance, count = Chance(seed), 0
    for item in items:
        if isinstance(item, Sent) and item.t_ns >= from_s * NANOSECONDS and chance.unit() < ratio:
            count += 1
            yield DropsSeen(item.t_ns, 0, 0, count)
        else:
            yield item


def unanswered(items: Iterable[Item], from_s: float) -> Iterator[Item]:
    """Another listener no longer answers when it is asked."""
    for item in items:
        if isinstance(item, ListenerSeen) and item.t_ns >= from_s * NANOSECONDS:
            yield ListenerSeen(item.t_ns, item.name, False, "no answer within 2 s")
        else:
            yield item


def capped(items: Iterable[Item], packets_per_s: int, from_s: float = 0.0) -> Iterator[Item]:
    """A rate cap: in each second no more than this many packets pass (a storm control's flat ceiling)."""
    second, passed = -1, 0
    for item in items:
        if not isinstance(item, Sent) or item.t_ns < from_s * NANOSECONDS:
            yield item
            continue
        # Tenths of a second, as policers with a small bucket do: the loss is spread and not one long hole.
        if item.t_ns * 10 // NANOSECONDS != second:
            second, passed = item.t_ns * 10 // NANOSECONDS, 0
        passed += 1
        if passed <= packets_per_s / 10:
            yield item


def delayed(items: Iterable[Item], delay: Callable[[Sent], float], most_s: float) -> Iterator[Item]:
    """Delay each packet by `delay(packet)` seconds, from 0 to `most_s`; later ones may overtake it."""
    waiting: list[tuple[int, int, Item]] = []
    for count, item in enumerate(items):
        while waiting and waiting[0][0] <= item.t_ns:
            yield heapq.heappop(waiting)[2]
        late_ns = round(min(max(delay(item), 0.0), most_s) * NANOSECONDS) if isinstance(item, Sent) else 0
        moved = replace(item, t_ns=item.t_ns + late_ns)
        heapq.heappush(waiting, (moved.t_ns, count, moved))
    while waiting:
        yield heapq.heappop(waiting)[2]


def clumped(items: Iterable[Item], period_s: float, from_s: float = 0.0, match: Match = everything) -> Iterator[Item]:
    """Packets wait for the next beacon and arrive together, some 0.3 ms apart (power save on a radio)."""
    released: dict[int, int] = {}

    def delay(sent: Sent) -> float:
        if sent.t_ns < from_s * NANOSECONDS or not match(sent):
            return 0.0
        beacon = int(sent.t_ns / NANOSECONDS / period_s) + 1
        released[beacon] = released.get(beacon, -1) + 1
        released.pop(beacon - 2, None)
        return beacon * period_s + released[beacon] * 0.0003 - sent.t_ns / NANOSECONDS

    return delayed(items, delay, period_s * 1.5)


def swapped(items: Iterable[Item], ratio: float, by_s: float, seed: int, match: Match = everything) -> Iterator[Item]:
    """Some packets take a longer path and arrive after those that follow them."""
    chance = Chance(seed)
    return delayed(items, lambda sent: by_s if match(sent) and chance.unit() < ratio else 0.0, by_s)


def doubled(
    items: Iterable[Item],
    copies: int,
    after_s: float,
    from_s: float = 0.0,
    to_s: float = 1e12,
    match: Match = everything,
) -> Iterator[Item]:
    """Each packet arrives again: a loop in the wiring, or a mirror that shows both directions."""

    def more() -> Iterator[Item]:
        waiting: list[Item] = []
        for item in items:
            ready = [copy for copy in waiting if copy.t_ns <= item.t_ns]
            waiting = [copy for copy in waiting if copy.t_ns > item.t_ns]
            yield from sorted(ready, key=_time_ns)
            yield item
            if isinstance(item, Sent) and from_s * NANOSECONDS <= item.t_ns < to_s * NANOSECONDS and match(item):
                waiting += [
                    replace(item, t_ns=item.t_ns + round(after_s * NANOSECONDS * (n + 1))) for n in range(copies)
                ]
        yield from sorted(waiting, key=_time_ns)

    return more()
