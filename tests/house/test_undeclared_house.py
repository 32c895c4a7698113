"""The house that `serve --interface` watches where there is no house file."""

from __future__ import annotations

from slotwatch.house.first_contact import undeclared_house
from slotwatch.house.schema import House, Phase
from slotwatch.house.service import FirstContact


def test_nothing_is_declared_and_everything_that_arrives_is_judged_in_full() -> None:
    """Ports: ANSI E1.31-2018 9.2 (5568) and Art-Net 4 (0x1936). The page's address is that of the README."""
    house = undeclared_house(("eth1", "eth2"), (3, 4), file="/var/lib/slotwatch/none.toml")
    assert (house.listen.e131_port, house.listen.artnet_port) == (5568, 0x1936)
    assert (house.http.host, house.http.port) == ("127.0.0.1", 8580)
    assert house.phase is Phase.SHOW
    assert [one.name for one in house.networks] == ["eth1", "eth2"]
    assert house.listen.interfaces == ("eth1", "eth2")
    assert house.first_contact == FirstContact((3, 4))
    nothing = House()
    assert (house.universes, house.sources, house.fixtures, house.routes) == (
        nothing.universes, nothing.sources, nothing.fixtures, nothing.routes,
    )  # fmt: skip


def test_the_command_lines_ports_and_page_are_taken() -> None:
    house = undeclared_house(("lo",), page=("::1", 9000), ports=(15568, 16454))
    assert (house.http.host, house.http.port) == ("::1", 9000)
    assert (house.listen.e131_port, house.listen.artnet_port) == (15568, 16454)
