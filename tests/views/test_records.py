"""A record is the whole incident, also under another boot's clock."""

from __future__ import annotations

import json
from dataclasses import replace

from slotwatch.snapshot import Acknowledgement
from slotwatch.views.incidents import incident as shown
from slotwatch.views.records import incident_of, record
from tests.views.fabricate import NOW_NS, WALL_OFFSET_NS, incident


def test_a_record_read_under_the_same_clock_is_the_incident() -> None:
    found = incident(closed_ns=NOW_NS, acknowledged=Acknowledgement("Ann", NOW_NS, "seen"), flaps=2, accepted="known")
    assert incident_of(json.loads(json.dumps(record(found))), WALL_OFFSET_NS) == found


def test_a_record_read_after_another_boot_says_the_same() -> None:
    found = incident()
    again = incident_of(record(found), WALL_OFFSET_NS + 123_456_789_000)
    assert again.began_ns != found.began_ns
    assert shown(again) == shown(replace(found))


def test_an_alert_of_an_incident_that_an_older_version_kept_has_the_labels_that_it_had() -> None:
    """Alertmanager distinguishes alerts by their labels alone (its API v2): others would page once more."""
    kept = record(incident(universes=("e131/1",), settled_as=("source-died", "power", "e131/1")))
    del kept["settled_as"]
    kept["rule"], kept["cause"], kept["known_as"] = "universe-missing", "power", "source-died"
    assert incident_of(json.loads(json.dumps(kept)), WALL_OFFSET_NS).settled_as == ("source-died", "power", "e131/1")
