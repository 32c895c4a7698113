"""Alerts carry bounded labels, are one for incidents that share them, and leave out what is accepted or too quiet."""

from __future__ import annotations

import json
from dataclasses import replace

from slotwatch.house.outgoing import Alerts
from slotwatch.snapshot import Acknowledgement, Severity
from slotwatch.views.alerts import alerts
from slotwatch.views.sheet import Sheet
from slotwatch.views.topics import states, topic_of
from tests.views.fabricate import NOW_NS, SECOND_NS, house, incident, snapshot

HOUSE = replace(house(), alerts=Alerts(("http://127.0.0.1:9093",), "warning", (("site", "north"),)))


def test_one_incident_is_one_alert_with_its_universe() -> None:
    ((key, alert),) = alerts(snapshot(), HOUSE).items()
    assert (
        dict(key)
        == alert["labels"]
        == {
            "alertname": "UniverseLost",
            "rule": "universe-lost",
            "cause": "source-lost",
            "severity": "critical",
            "house": "Harbour Street Playhouse",
            "universe": "e131/2",
            "site": "north",
        }
    )
    assert alert["startsAt"] == "2025-12-31T23:59:50.000Z"
    assert alert["annotations"]["summary"] == 'Universe e131/2 ("Label 2") is lost.'
    assert alert["annotations"]["evidence"] == "Last frame 10.0 s ago." and alert["annotations"]["incidents"] == "7"


def test_what_follows_by_another_cause_is_another_alert() -> None:
    """Alertmanager tells alerts apart by their labels alone: one that continues under the same does not fire again."""
    first, second = incident(7), incident(8, cause="network-lost")
    before = alerts(snapshot(incidents=(first,)), HOUSE)
    after = alerts(snapshot(incidents=(replace(first, closed_ns=NOW_NS), second)), HOUSE)
    assert len(after) == 1 and before.keys().isdisjoint(after)


def test_an_incident_that_grows_stays_the_same_alert() -> None:
    """Alertmanager, data model: alerts with other labels are other alerts, and one that is not sent again ends."""
    grown = replace(incident(), rule="universe-missing", cause="network-lost", universes=("e131/2", "e131/3"))
    before, after = alerts(snapshot(), HOUSE), alerts(snapshot(incidents=(grown,)), HOUSE)
    assert before.keys() == after.keys()
    assert next(iter(after.values()))["annotations"]["universes"] == "e131/2, e131/3"


def test_another_severity_is_another_alert_and_ends_none() -> None:
    """Who only hears of what is critical has to hear of it; the first alert must not end while the fault lasts."""
    first = incident(severity=Severity.WARNING)
    before = alerts(snapshot(incidents=(first,)), HOUSE)
    worse = snapshot(incidents=(replace(first, severity=Severity.CRITICAL),))
    now = alerts(worse, HOUSE, before=before)
    assert before.keys() < now.keys()
    assert sorted(dict(key)["severity"] for key in now) == ["critical", "warning"]
    assert alerts(snapshot(incidents=(first,)), HOUSE, before=now).keys() == now.keys()
    assert alerts(snapshot(incidents=()), HOUSE, before=now) == {}


def test_an_alert_of_another_incident_is_not_held_open() -> None:
    """Two incidents may share all labels but the severity: the critical one ends with its own incident."""
    first, second = incident(7, severity=Severity.WARNING), incident(8, severity=Severity.CRITICAL)
    before = alerts(snapshot(incidents=(first, second)), HOUSE)
    assert sorted(dict(key)["severity"] for key in before) == ["critical", "warning"]
    (left,) = alerts(snapshot(incidents=(first,)), HOUSE, before=before)
    assert dict(left)["severity"] == "warning"


def test_an_alert_waits_until_its_incident_has_settled() -> None:
    new = incident(opened_ns=NOW_NS - 2 * SECOND_NS + 1)
    assert alerts(snapshot(incidents=(new,)), HOUSE) == {}
    assert len(alerts(snapshot(incidents=(replace(new, opened_ns=NOW_NS - 2 * SECOND_NS),)), HOUSE)) == 1


def test_an_alert_and_a_topic_link_to_the_page_if_others_reach_it() -> None:
    """By the address that the house declares (docs/alerts.md); nothing is said where it declares none."""
    (alert,) = alerts(snapshot(), HOUSE, "https://lights.example:8580").values()
    assert alert["annotations"]["link"] == "https://lights.example:8580/incident/7"
    both = (incident(8, universes=("e131/1", "e131/2")), incident(9, universes=()))
    (alert,) = alerts(snapshot(incidents=both), HOUSE, "https://lights.example:8580").values()
    assert alert["annotations"]["link"] == "https://lights.example:8580/incidents"
    (alert,) = alerts(snapshot(), HOUSE).values()
    assert "link" not in alert["annotations"]
    sheet = Sheet(snapshot())
    (told,) = json.loads(states(sheet, "http://rack:80")["incidents"])
    (untold,) = json.loads(states(sheet)["incidents"])
    assert told["link"] == "http://rack:80/incident/7" and untold["link"] is None


def test_many_universes_are_an_annotation_and_not_a_label() -> None:
    wide = incident(universes=tuple(f"e131/{n}" for n in range(1, 41)))
    ((key, alert),) = alerts(snapshot(incidents=(wide,)), HOUSE).items()
    assert "universe" not in dict(key) and "e131/40" in alert["annotations"]["universes"]


def test_incidents_with_the_same_labels_are_one_alert_from_the_first_on() -> None:
    both = (incident(8, universes=("e131/1", "e131/2")), incident(9, universes=(), began_ns=NOW_NS - 60 * SECOND_NS))
    ((_, alert),) = alerts(snapshot(incidents=both), HOUSE).items()
    assert alert["annotations"]["incidents"] == "9, 8" and alert["startsAt"] == "2025-12-31T23:59:00.000Z"


def test_quiet_accepted_and_closed_ones_are_left_out() -> None:
    some = (incident(1, severity=Severity.NOTE), incident(2, accepted="by design"), incident(3, closed_ns=NOW_NS))
    assert alerts(snapshot(incidents=some), HOUSE) == {}
    with_notes = replace(HOUSE, alerts=replace(HOUSE.alerts, minimum_severity="note"))
    assert len(alerts(snapshot(incidents=some), with_notes)) == 1


def test_an_acknowledgement_changes_the_annotation_and_not_the_labels() -> None:
    seen = incident(acknowledged=Acknowledgement("Ann", NOW_NS))
    before, after = alerts(snapshot(), HOUSE), alerts(snapshot(incidents=(seen,)), HOUSE)
    assert before.keys() == after.keys() and next(iter(after.values()))["annotations"]["acknowledged"] == "Ann"


def test_topics_hold_states_that_stay_the_same_while_nothing_changes() -> None:
    taken = snapshot()
    found = states(Sheet(taken))
    assert set(found) == {"house", "incidents", "universe/e131/1", "universe/e131/2", "universe/artnet/0"}
    assert found["universe/e131/2"] == '{"state":"lost","label":"Label 2"}'
    later = replace(taken, now_ns=NOW_NS + SECOND_NS)
    later.universes["frames"] += 44
    assert states(Sheet(later)) == found


def test_wildcards_are_never_in_a_topic() -> None:
    """MQTT 3.1.1, 4.7.1: they must not be used in a topic name."""
    assert topic_of("line/a+b#c") == "line/a-b-c"
