"""The rule table as the page reads it: every rule, every number with its source."""

from __future__ import annotations

from slotwatch.house.schema import Phase
from slotwatch.judge.catalog import CATALOG
from slotwatch.views.rules import rules


def test_every_rule_is_given_once_with_its_page() -> None:
    given = rules()
    assert [row["rule"] for row in given] == list(CATALOG)
    assert all(row["page"] == f"/rules/{row['rule']}" for row in given)


def test_a_lost_universe_has_the_standards_own_time() -> None:
    """ANSI E1.31-2018, 6.7.1: a source that sent nothing for 2.5 s is lost."""
    (row,) = [row for row in rules() if row["rule"] == "universe-lost"]
    assert any(number["value"] == 2.5 and "E1.31" in number["source"] for number in row["thresholds"])
    assert row["severity_by_phase"]["show"] == "critical"
    assert set(row["severity_by_phase"]) == {str(phase) for phase in Phase}
    assert {cause["cause"] for cause in row["causes"]} >= {"source-lost", "network-lost"}


def test_every_number_says_where_it_comes_from() -> None:
    assert [
        (row["rule"], number["name"]) for row in rules() for number in row["thresholds"] if not number["source"]
    ] == []
