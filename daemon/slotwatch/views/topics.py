"""A snapshot as MQTT topics with retained states, for other systems that want one word about one thing."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping

from slotwatch.snapshot import Incident
from slotwatch.views.house import counts
from slotwatch.views.incidents import incident_brief
from slotwatch.views.notice import link_to
from slotwatch.views.sheet import Sheet
from slotwatch.views.universes import STATE_WORDS

MOST_UNIVERSES = 4096
BRIEF = (
    *("id", "state", "severity", "rule", "cause", "confidence", "universes", "sources", "source_names"),
    *("began_at", "returned_at", "closed_at", "part_of", "summary", "acknowledged", "accepted", "controlled_by"),
)
"""What another system needs of an incident, as the API names it."""


def states(sheet: Sheet, page: str = "") -> dict[str, str]:
    """Retained states under the house's topic: they change only when something is different. page: as `brief` takes it.

    `house`: name, phase and counts; `incidents`: the open ones in brief; `universe/e131/12`: state and label.
    """
    view = sheet.snapshot.house
    is_open = [one for one in sheet.snapshot.incidents if one.closed_ns is None]
    found = {
        "house": _text({"name": view.name, "phase": view.phase, "vantage": view.vantage, **counts(sheet)}),
        "incidents": _text([brief(one, page) for one in is_open]),
    }
    lists = sheet.universes
    for row, name in enumerate(sheet.snapshot.universe_names[:MOST_UNIVERSES]):
        state = STATE_WORDS[lists["state"][row]]
        found[f"universe/{topic_of(name)}"] = _text({"state": state, "label": sheet.snapshot.universe_labels[row]})
    return found


def brief(one: Incident, page: str = "") -> dict[str, object]:
    """An incident's object for a topic. page: address of the page, as others reach it; empty if they cannot."""
    found: Mapping[str, object] = incident_brief(one)
    return {name: found[name] for name in BRIEF} | {"link": link_to(page, (one,)) or None}


def topic_of(name: str) -> str:
    """A universe's name without what MQTT 4.7 keeps for itself (wildcards, NUL)."""
    return re.sub(r"[#+\x00]", "-", name)


def _text(value: object) -> str:
    return json.dumps(value, separators=(",", ":"))
