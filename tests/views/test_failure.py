"""The drawn moment of an incident is that occurrence's own."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.snapshot import Snapshot
from slotwatch.views.failure import Moments
from slotwatch.views.sheet import Sheet
from tests.views.fabricate import NOW_NS, SECOND_NS, incident, snapshot


def looked(found: Snapshot, last_ns: int, **changes: object) -> Snapshot:
    """The same house with the second universe's last frame at a moment, and its incident as given."""
    streams = {name: column.copy() for name, column in found.streams.items()}
    streams["last_frame_ns"][:] = found.now_ns
    streams["last_frame_ns"][1] = last_ns
    return replace(found, streams=streams, incidents=(incident(**changes),))  # type: ignore[arg-type]


def test_an_incident_that_comes_again_is_drawn_anew() -> None:
    moments = Moments()
    moments.note(Sheet(snapshot(3, incidents=())))
    first = looked(snapshot(3), NOW_NS - 10 * SECOND_NS)
    moments.note(Sheet(first))
    before = moments.of(first.incidents[0])
    assert before is not None
    assert [row["universe"] for row in before["streams"] if row["stopped"]] == ["e131/2"]
    later_ns = NOW_NS + 60 * SECOND_NS
    again = looked(replace(snapshot(3), now_ns=later_ns), later_ns - 4 * SECOND_NS, flaps=1)
    moments.note(Sheet(again))
    after = moments.of(again.incidents[0])
    assert after is not None
    sheet = Sheet(again)
    assert after["from"] == sheet.iso(later_ns - 6 * SECOND_NS)
    assert after["to"] == sheet.iso(later_ns)
    assert [row["universe"] for row in after["streams"] if row["stopped"]] == ["e131/2"]
    moments.note(Sheet(again))
    assert moments.of(again.incidents[0]) is after, "it is drawn once for each occurrence"
