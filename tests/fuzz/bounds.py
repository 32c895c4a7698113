"""The bounds of the tables that the network fills: what must hold whatever comes."""

from __future__ import annotations

from slotwatch.model.columns import MAX_SOURCES, MAX_SOURCES_PER_UNIVERSE, MAX_STREAMS
from slotwatch.model.counters import MAX_OFFENDERS
from slotwatch.model.model import Model
from slotwatch.model.occasions import MAX_NODES, MAX_POLLERS, MAX_SYNCS


def hold_bounds(model: Model) -> None:
    """Fail if a table of a model holds more than it may."""
    assert model.streams.filled <= MAX_STREAMS
    assert model.sources.filled <= MAX_SOURCES
    assert model.universes.streams[: model.universes.top].max() <= MAX_SOURCES_PER_UNIVERSE
    assert len(model.occasions.syncs) <= MAX_SYNCS
    assert len(model.occasions.nodes) <= MAX_NODES
    assert len(model.occasions.pollers) <= MAX_POLLERS
    assert len(model.counters.offenders) <= MAX_OFFENDERS
