"""Makes the switches of a house from their tables."""

from __future__ import annotations

from slotwatch.house.document import Entry
from slotwatch.house.references import Built, check_unique
from slotwatch.house.witnesses import DeclaredSwitch

MOST_SWITCHES = 32
"""Each is asked over its own socket; a larger network has tools of its own."""


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
