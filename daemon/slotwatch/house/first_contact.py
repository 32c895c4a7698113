"""A house in which nothing is declared yet: what `serve --interface` watches."""

from __future__ import annotations

from slotwatch.house.schema import House, Network, Phase
from slotwatch.house.service import FirstContact, Http, Listen

NOTE = "nothing is declared yet: what arrives is judged, and what never comes cannot be missed"


def undeclared_house(
    interfaces: tuple[str, ...],
    universes: tuple[int, ...] = (),
    *,
    file: str = "",
    page: tuple[str, int] = ("127.0.0.1", 8580),
    ports: tuple[int, int] = (5568, 6454),
) -> House:
    """Make a house without declarations. `file`: a path in the directory that keeps its history; nothing reads it.

    Its phase is `show`, so that what arrives is judged in full. page: address and port. ports: E1.31, Art-Net.
    """
    return House(
        name=f"Undeclared house on {', '.join(interfaces)}",
        phase=Phase.SHOW,
        file=file,
        listen=Listen(interfaces=interfaces, e131_port=ports[0], artnet_port=ports[1]),
        http=Http(host=page[0], port=page[1]),
        networks=tuple(Network(name, name) for name in interfaces),
        first_contact=FirstContact(universes),
        notes=(NOTE,),
    )
