"""A route may take a universe that is not declared: that is a note, and no fault of the file."""

from __future__ import annotations

from datetime import date

from slotwatch.edge.intake.joins import wanted_universes
from slotwatch.house.load import load_house

TEXT = b"""
[house]
name = "Harbour Street Playhouse"

[listen]
interfaces = ["eth1"]

[[routes]]
name = "tower"
from = "e131/12"
to = "serial:/dev/ttyUSB0"
"""


def test_a_route_from_an_undeclared_universe_loads_with_a_note_and_joins_its_group() -> None:
    house = load_house("/x/house.toml", lambda _: TEXT, date(2026, 11, 25))
    assert "route tower has the input e131/12, which is not declared under [[universes]]" in house.notes
    assert 12 in wanted_universes(house)[0]
