"""Makes the other listeners and the switches of a house from their tables, and checks them."""

from __future__ import annotations

from slotwatch.house.document import Entry
from slotwatch.house.references import Built, check_unique
from slotwatch.house.witnesses import MOST_LISTENERS, MOST_SWITCHES, OWN_NAME, DeclaredListener, DeclaredSwitch


def listener(entry: Entry) -> DeclaredListener:
    url = str(entry["url"]).rstrip("/")
    own = entry["own_name"] or OWN_NAME
    return DeclaredListener(entry["name"], url, entry["token_file"] or "", entry["ca_file"] or "", own, entry.line)


def check_listeners(listeners: Built) -> None:
    """Each has a name of its own, and there are few of them."""
    check_unique(listeners, "name", "listener")
    for place, (entry, value) in enumerate(listeners.rows):
        if place >= MOST_LISTENERS:
            entry.wrong("name", f"at most {MOST_LISTENERS} listeners are compared")
        elif value.name == value.own_name:
            entry.wrong("own_name", "the two listeners need different names")


def switch(entry: Entry) -> DeclaredSwitch:
    return DeclaredSwitch(
        entry["name"],
        entry["address"],
        entry["version"],
        entry["credentials_file"],
        entry["poll_s"],
        entry["uplinks"],
        entry.line,
    )


def check_switches(switches: Built) -> None:
    """Each has a name and an address of its own, and there are few of them."""
    check_unique(switches, "name", "switch")
    check_unique(switches, "address", "switch")
    for place, (entry, _) in enumerate(switches.rows):
        if place >= MOST_SWITCHES:
            entry.wrong("name", f"at most {MOST_SWITCHES} switches are asked")
