"""A survey on two interfaces: each universe and each source once, and a house file that `check` takes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from slotwatch.house.load import load_house
from slotwatch.snapshot import SourceRow
from slotwatch.views import api
from slotwatch.views.survey import Survey, house_file, merged, text
from slotwatch.wire.universe import Protocol
from tests.views.fabricate import snapshot, sources


def two_networks() -> Survey:
    """A desk with two universes on both networks, and a media server on both, at another address on each."""
    media = SourceRow(Protocol.ARTNET, bytes(16), "10.20.0.30", 0, "Media server")
    rows = (sources()[0], replace(sources()[0], address="10.21.0.10", network=1), media)
    taken = snapshot(6, sources=(*rows, replace(media, address="10.21.0.30", network=1)))
    taken.house = replace(taken.house, networks=("eth1", "eth2"))
    names = ("e131/1@eth1", "e131/2@eth1", "e131/1@eth2", "e131/2@eth2", "artnet/0@eth1", "artnet/0@eth2")
    taken.universe_names = names
    taken.universes["network"][:] = [0, 0, 1, 1, 0, 1]
    taken.universes["frames"][:] = 100
    taken.universes["protocol"][:] = [1, 1, 1, 1, 2, 2]
    taken.universes["number"][:] = [1, 2, 1, 2, 0, 0]
    for row, source in enumerate((0, 0, 1, 1, 2, 3)):
        taken.streams["universe_row"][row], taken.streams["source"][row] = row, source
        taken.streams["network"][row] = taken.universes["network"][row]
    found = [api.universe(taken, row) for row in range(len(names))]
    plain = [{**one, "sources": [s if isinstance(s, str) else s["source"] for s in one["sources"]]} for one in found]
    return Survey(("eth1", "eth2"), 20.0, merged(plain), tuple(api.sources(taken)))


def test_each_universe_is_written_once_with_its_networks() -> None:
    survey = two_networks()
    assert [one["universe"] for one in survey.universes] == ["e131/1", "e131/2", "artnet/0"]
    assert all(one["networks"] == ["eth1", "eth2"] for one in survey.universes)
    assert sum("e131/1 " in line for line in text(survey)) == 1


def test_check_takes_its_house_file() -> None:
    written = house_file(two_networks(), "2026-11-25")
    house = load_house("/house.toml", lambda name: written.encode(), date(2026, 11, 25))
    assert [network.interface for network in house.networks] == ["eth1", "eth2"]
    assert [(str(one.id), one.networks) for one in house.universes] == [
        ("e131/1", (0, 1)),
        ("e131/2", (0, 1)),
        ("artnet/0", (0, 1)),
    ]
    assert [source.addresses for source in house.sources] == [(), ("10.20.0.30", "10.21.0.30")]
