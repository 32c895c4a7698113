"""Every section and key of the house file, once: read by the loader, the documents and the tests."""

from __future__ import annotations

from slotwatch.house import occasions, service_keys, stage_keys
from slotwatch.house.keys import Key, Kind, Section, texts
from slotwatch.house.witnesses import LISTENERS, SWITCHES

TOP = Section(
    "",
    False,
    "The file itself.",
    (
        texts("include", "Overlay files of visiting productions, beside this file."),
        Key("until", Kind.DATE, "In an overlay: its last day. After it the overlay is ignored, and a message says so."),
    ),
)

SECTIONS: tuple[Section, ...] = (
    *service_keys.SECTIONS,
    LISTENERS,
    SWITCHES,
    *stage_keys.SECTIONS,
    *occasions.SECTIONS,
)

BY_NAME = {section.name: section for section in (TOP, *SECTIONS)}
