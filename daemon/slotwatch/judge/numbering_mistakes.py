"""Which universe a silent or an undeclared one may really be: the usual ways to be off in the numbering."""

from __future__ import annotations

import numpy as np

from slotwatch.judge.context import RuleContext
from slotwatch.wire.universe import Protocol

DISTANCES = (1, -1, 16, -16, 256, -256)
"""Counting from 0 or 1; sub-net and net of Art-Net's address taken for one another."""


def look_alikes(ctx: RuleContext, missing: int) -> list[str]:
    """Say which undeclared universes that are heard may be the missing one, likeliest first."""
    universes = ctx.universes
    number, protocol = int(universes.number[missing]), int(universes.protocol[missing])
    heard = universes.used & (universes.declared < 0) & (universes.live > 0)
    said = []
    for row in np.flatnonzero(heard).tolist():
        distance = int(universes.number[row]) - number
        if _is_alias(int(universes.protocol[row]), protocol, int(universes.number[row]), number, distance):
            said.append((abs(distance), f"{_name(ctx, row)} is heard and not declared: {_way(distance)}."))
    return [sentence for _, sentence in sorted(said)]


def declared_relatives(ctx: RuleContext, undeclared: int) -> list[int]:
    """Give declared universes that are silent and that an undeclared one may be meant for, likeliest first."""
    universes = ctx.universes
    number, protocol = int(universes.number[undeclared]), int(universes.protocol[undeclared])
    silent = universes.used & (universes.declared >= 0) & (universes.live == 0) & universes.expected
    found = []
    for row in np.flatnonzero(silent).tolist():
        distance = number - int(universes.number[row])
        if _is_alias(protocol, int(universes.protocol[row]), number, int(universes.number[row]), distance):
            found.append((abs(distance), row))
    return [row for _, row in sorted(found)]


def _is_alias(heard_protocol: int, protocol: int, heard: int, number: int, distance: int) -> bool:
    if heard_protocol != protocol:
        return distance in (0, 1, -1)
    if distance in DISTANCES:
        return True
    return protocol == Protocol.ARTNET and heard == number % 16


def _way(distance: int) -> str:
    if distance == 0:
        return "the same number in the other protocol"
    if abs(distance) == 1:
        return "numbered one off, as when one end counts from 0 and the other from 1"
    if abs(distance) in (16, 256):
        return f"{abs(distance)} apart, as when sub-net or net of the address is split wrong"
    return "the same last digit of the split address"


def _name(ctx: RuleContext, row: int) -> str:
    return ctx.universe_name(row)
