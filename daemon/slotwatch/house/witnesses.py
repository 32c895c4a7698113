"""Who else can say where on the way something was lost: other listeners. Part of the declared house."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.house.keys import Key, Kind, Section, text

OWN_NAME = "this listener"

LISTENERS = Section(
    "listeners",
    True,
    "A second slotwatch at another place on the network, to be compared with this one.",
    (
        text("name", "What that place is called.", required=True),
        Key("url", Kind.URL, "Its address, such as https://10.20.0.6:8580.", required=True),
        text("token_file", "File that holds its token, where reading needs one."),
        text("ca_file", "Certificate that its own is checked against, for https."),
        text("own_name", "What this listener is called there, so that both say the same.", OWN_NAME),
    ),
)


@dataclass(frozen=True, slots=True)
class DeclaredListener:
    """A second listener of the same house."""

    name: str
    url: str
    token_file: str = ""
    ca_file: str = ""
    own_name: str = OWN_NAME
    line: int = 0
