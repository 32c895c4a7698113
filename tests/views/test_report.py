"""The show report's own columns: when a fault ended on the wire, and how long it lasted itself."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import msgspec

from slotwatch.views.answers.report import PhaseAt, ShowReport, UniverseMinutes
from slotwatch.views.incidents import incident
from slotwatch.views.report import report_csv, report_html
from slotwatch.views.show import sentence
from tests.views import fabricate

MOMENTS = {"generated_at": "2026-11-26T22:00:00+00:00", "since": "2026-11-26T18:00:00+00:00"}


def report() -> ShowReport:
    """One fault that returned after 4.5 s and was closed 60 s later, and one that lasts."""
    first = fabricate.incident(7)
    began_ns = first.began_ns
    back = replace(first, returned_ns=began_ns + 4_500_000_000, closed_ns=began_ns + 64_500_000_000)
    lasts = replace(fabricate.incident(8), closed_ns=None)
    return ShowReport(
        house="Harbour Street Playhouse",
        time_zone="Europe/London",
        version="1",
        until="2026-11-26T21:30:00+00:00",
        span="",
        summary="",
        phases=[],
        incidents=[incident(back), incident(lasts)],
        marks=[{"at": "2026-11-26T20:00:00+00:00", "text": "curtain up", "by": "page"}],
        not_judged=[],
        universes=[],
        grows_worse=[],
        worst=[],
        **MOMENTS,
    )


def test_a_fault_ends_in_the_table_when_its_data_returned_and_not_when_it_was_closed() -> None:
    made = report()
    rows = list(csv.DictReader(io.StringIO(report_csv(made))))
    lasting, ended = sorted((row for row in rows if row["kind"] == "incident"), key=lambda row: row["to"])
    assert ended["to"] == made.incidents[0]["returned_at"] != made.incidents[0]["closed_at"]
    assert ended["lasted_s"] == "4.500"
    assert (lasting["to"], lasting["lasted_s"]) == ("", "")
    (mark,) = (row for row in rows if row["kind"] == "mark")
    assert (mark["text"], mark["lasted_s"]) == ("curtain up", "")


def test_the_page_of_the_report_says_how_long_each_fault_lasted() -> None:
    assert report_html(report()).count("4.5 s") == 1


def test_times_of_the_hour_that_comes_twice_say_which() -> None:
    """The zone database (IANA): in London summer time of 2026 ends on 25 October at 01:00 UTC."""
    night = {"since": "2026-10-25T00:30:00+00:00", "until": "2026-10-25T01:10:00+00:00"}
    made = msgspec.structs.replace(report(), **night, phases=[PhaseAt(night["until"], "dark")])
    page = report_html(made)
    assert "Sunday 25 October 2026, 01:30 BST to Sunday 25 October 2026, 01:10 GMT (Europe/London)" in page
    assert "<td>Sun 01:10:00 GMT</td><td>dark</td>" in page


def test_the_longest_gap_of_a_report_is_called_one_within_a_minute() -> None:
    """A silence of ten minutes is 60 s in each of them: a column "Longest gap" said that it was that short."""
    lost = UniverseMinutes(
        universe="e131/1",
        label="Dimmers",
        minutes=10,
        frames=0,
        lost_frames=0,
        refresh_hz=None,
        worst_gap_ms=60_000.0,
        worst_minute_at="2026-11-26T20:00:00+00:00",
        worst_state="lost",
        state_minutes={"lost": 10},
        not_judged_s=0.0,
    )
    page = report_html(msgspec.structs.replace(report(), universes=[lost]))
    assert "Longest gap within a minute" in page and "60000 ms" in page


def test_one_incident_that_lasts_is_not_counted_out_of_itself() -> None:
    """Plain English is common practice, no source."""
    lasts = incident(replace(fabricate.incident(8), closed_ns=None))
    over = incident(fabricate.incident(7, closed_ns=fabricate.NOW_NS))
    assert sentence([lasts], [], 60) == "1 incident: 1 critical. It is still open."
    assert sentence([lasts, over], [], 60) == "2 incidents: 2 critical. 1 of them is still open."
