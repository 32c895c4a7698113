"""Other listeners and switches, which show where on its path something was lost. Part of the declared house."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.house.keys import Key, Kind, Section, choice, text, texts, whole

OWN_NAME = "this listener"
MOST_SWITCHES = 32
"""Each is asked over its own socket; a larger network has tools of its own."""
MOST_LISTENERS = 8
"""This comparison is meant for a handful; overviews of many are for Prometheus and MQTT."""

LISTENERS = Section(
    "listeners",
    True,
    "A second slotwatch at another place on the network, to be compared with this one.",
    (
        text("name", "Name of that place.", required=True),
        Key("url", Kind.URL, "Address of its page, such as https://10.20.0.6:8580.", required=True),
        text("token_file", "File that holds its token, if reading its page needs one."),
        text("ca_file", "For https: the certificate by which its own is checked."),
        text("own_name", "Name of this listener in the house file there, so that both use the same.", OWN_NAME),
    ),
)

SWITCHES = Section(
    "switches",
    True,
    "A switch of the show network that slotwatch asks by SNMP, read only.",
    (
        text("name", "What the switch is called in this house.", required=True),
        Key("address", Kind.ADDRESS, "Its management address.", required=True),
        choice("version", "Version of SNMP; 3 keeps the secrets off the network.", "3", "2c", "3"),
        text(
            "credentials_file",
            "Secret file with the community (2c), or with user, authentication and privacy (3).",
            required=True,
        ),
        whole("poll_s", "Seconds between two polls.", 10, 5, 3600, unit="s"),
        texts("uplinks", "Names of its ports that lead to other switches."),
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


@dataclass(frozen=True, slots=True)
class DeclaredSwitch:
    """A switch that is asked what its ports carry."""

    name: str
    address: str
    version: str
    """2c | 3."""
    credentials_file: str
    poll_s: int = 10
    uplinks: tuple[str, ...] = ()
    """Names of ports, as the switch calls them, that lead to other switches."""
    line: int = 0
