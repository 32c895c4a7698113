"""Which routes are in a loop, against a slow search; and what it costs."""

from __future__ import annotations

import random

import pytest

from slotwatch.errors import HouseFileError
from slotwatch.house.load import load_house
from tests.steps import steps

from .reading import TODAY, reader

Drawn = tuple[int, int, bool]
"""Universe from, universe to, whether it goes to one address only."""


def in_loops(routes: list[Drawn]) -> set[str]:
    """Names of routes that the loader says are in a loop."""
    numbers = sorted({number for source, target, _ in routes for number in (source, target)})
    text = "".join(f'[[universes]]\nprotocol = "e131"\nnumber = {number}\n' for number in numbers)
    for name, (source, target, is_unicast) in enumerate(routes):
        text += f'[[routes]]\nname = "r{name}"\nfrom = "e131/{source}"\nto = "e131/{target}"\n'
        text += 'to_address = "10.20.0.40"\n' if is_unicast else ""
    lines = text.splitlines()
    try:
        load_house("house.toml", reader({"house.toml": text}), TODAY)
    except HouseFileError as error:
        found = [one for one in error.problems if "a loop: " in one.wanted]
        return {lines[(one.line or 0) - 3].split('"')[1] for one in found}
    return set()


def reaches(routes: list[Drawn], start: int, wanted: int) -> bool:
    """Whether what is sent to a universe can come to another, by following every route again and again."""
    known = {start}
    while True:
        more = {target for source, target, is_unicast in routes if source in known and not is_unicast} - known
        if wanted in known:
            return True
        if not more:
            return False
        known |= more


@pytest.mark.parametrize("seed", range(40))
def test_drawn_routes_are_in_loops_where_a_slow_search_says_so(seed: int) -> None:
    random_ = random.Random(seed)
    most = random_.randrange(2, 8)
    routes = [
        (random_.randrange(1, most + 1), random_.randrange(1, most + 1), random_.random() < 0.2)
        for _ in range(random_.randrange(1, 9))
    ]
    expected = {
        f"r{name}"
        for name, (source, target, is_unicast) in enumerate(routes)
        if not is_unicast and reaches(routes, target, source)
    }
    assert in_loops(routes) == expected


def test_a_chain_of_routes_costs_by_its_length() -> None:
    """500 took 4 s, 1,000 took half a minute."""

    def cost(count: int) -> int:
        with steps() as ran:
            assert in_loops([(number, number + 1, False) for number in range(1, count)]) == set()
        return ran.count

    assert cost(400) < 5 * cost(100)
