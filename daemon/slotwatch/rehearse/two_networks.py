"""A house of two networks, and senders that have a leg on each."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import media_server, paper
from slotwatch.rehearse.desk import ArtDesk, Desk
from slotwatch.rehearse.scenario import Paper
from slotwatch.rehearse.stage import Item, mixed

FIRST, SECOND = 0, 1
NEVER_S = math.inf


def second_address(address: str) -> str:
    """Address of the same machine on the second network (both are documentation addresses, RFC 5737)."""
    return address.replace("192.0.2.", "198.51.100.")


def written(numbers: Sequence[int], *networks: str, protocol: str = "e131") -> tuple[str, ...]:
    """Universes with their networks, as the house writes them."""
    return tuple(f"{protocol}/{number}@{network}" for network in networks for number in numbers)


def two_networks(
    e131: Sequence[int] = (1, 2, 3),
    artnet: Sequence[int] = (),
    *,
    sources: Sequence[str] = ("main",),
    on: dict[int, str] | None = None,
    artnet_on: str = "both",
    names: tuple[str, str] = ("A", "B"),
) -> Paper:
    """Write a house of two named networks. Each E1.31 universe is on both, or where `on` says by its number.

    artnet_on: both | first. Sources are known by CID and name, media servers by their addresses on both.
    """
    both = f'networks = ["{names[0]}", "{names[1]}"]\n'
    first = f'networks = ["{names[0]}"]\n'
    lines = {n: f'networks = ["{(on or {})[n]}"]\n' if n in (on or {}) else both for n in e131}
    made = paper(
        e131,
        artnet,
        sources=sources,
        more=lines,
        more_artnet=dict.fromkeys(artnet, both if artnet_on == "both" else first),
        by_address=False,
        networks=("eth1", "eth2"),
        extra="".join(f'[[networks]]\nname = "{name}"\ninterface = "eth{n + 1}"\n\n' for n, name in enumerate(names)),
    )
    text = made.toml
    for address in ("192.0.2.30", "192.0.2.31"):
        text = text.replace(f'address = "{address}"', f'address = ["{address}", "{second_address(address)}"]')
    return replace(made, toml=text)


def on_both(desk: Desk, from_s: float = NEVER_S, to_s: float = NEVER_S, lost: int = FIRST) -> Iterator[Item]:
    """Send from a desk with an address on each network; its leg on `lost` is out for a time."""
    other = replace(desk, network=SECOND, address=second_address(desk.address), seed=desk.seed + 20)
    legs: list[Iterator[Item]] = [desk.sends(), other.sends()]
    if from_s < NEVER_S:
        legs[lost] = stage.cut(legs[lost], from_s, to_s)
    return mixed(*legs)


def media_on_both(numbers: Sequence[int], from_s: float = NEVER_S, lost: int = FIRST, **options: Any) -> Iterator[Item]:
    """Send from a media server with an address on each network."""
    legs: list[Iterator[Item]] = [leg.sends() for leg in media_legs(numbers, **options)]
    if from_s < NEVER_S:
        legs[lost] = stage.cut(legs[lost], from_s)
    return mixed(*legs)


def media_legs(numbers: Sequence[int], **options: Any) -> tuple[ArtDesk, ArtDesk]:
    """Make a media server with an address on each network, as what it sends to each."""
    first = media_server(numbers, **options)
    return first, replace(first, network=SECOND, address=second_address(first.address), seed=first.seed + 20)
