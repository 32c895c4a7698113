"""Collects the scenarios as their modules are imported, in order, each with its name."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from slotwatch.rehearse.cast import paper as house_paper
from slotwatch.rehearse.scenario import Paper, Scenario, Truth
from slotwatch.rehearse.stage import Item, mixed
from slotwatch.wire.observation import JoinSeen, LinkSeen, Observation

REGISTERED: dict[str, Scenario] = {}
MADE_IN: dict[str, str] = {}
"""The module of each scenario: modules may be imported in any order."""

Maker = Callable[[], Iterator[Item]]


def prelude(paper: Paper) -> Iterator[Observation]:
    """What the listener says at start: links are up and the declared groups were joined."""
    for network in range(paper.networks):
        yield LinkSeen(0, network, True, (f"192.0.2.{200 + network}",), f"eth{network + 1}", 1000)
    for network in range(paper.networks):
        for universe in paper.joined:
            yield JoinSeen(0, network, universe, True)


def scenario(
    fault: str,
    title: str,
    seconds: float,
    truth: Truth | None = None,
    paper: Paper | None = None,
    *,
    live: bool = True,
    own_start: bool = False,
) -> Callable[[Maker], Maker]:
    """Register a function that makes a scenario's packets; its name becomes the scenario's.

    `own_start`: it says itself which links are up and which groups are joined.
    """
    house = paper or house_paper()

    def register(make: Maker) -> Maker:
        name = make.__name__.strip("_").replace("_", "-")

        def lasting(limit_s: float) -> Iterator[Item]:
            begin: Iterator[Item] = iter(()) if own_start else prelude(house)
            limit_ns = round(limit_s * 1e9)
            for item in mixed(begin, make()):
                if item.t_ns >= limit_ns:
                    return
                yield item

        if name in REGISTERED:
            raise ValueError(f"two scenarios are called {name}")
        MADE_IN[name] = make.__module__
        items = partial(lasting, seconds)
        REGISTERED[name] = Scenario(name, fault, title, items, seconds, house, truth or Truth(), lasting, live)
        return make

    return register


def healthy(
    title: str, seconds: float, paper: Paper | None = None, *, fault: str = "", live: bool = True
) -> Callable[[Maker], Maker]:
    """Register a show that only looks suspicious. `fault` is the one it could be taken for."""
    return scenario(fault, title, seconds, Truth(), paper, live=live)
