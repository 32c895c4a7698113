"""Makes the other listeners of a house from their tables."""

from __future__ import annotations

from slotwatch.house.document import Entry
from slotwatch.house.references import Built, check_unique
from slotwatch.house.witnesses import OWN_NAME, DeclaredListener

MOST_LISTENERS = 8
"""This comparison is meant for a handful; overviews of many are for Prometheus and MQTT."""


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
