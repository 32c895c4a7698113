"""A day in a theatre of two networks, read by somebody who does not know what happened: several faults, and a kill.

The whole daemon, real packets, Linux namespaces. What must be read is common practice, no source: one source is one
source, what is lost does not still work, the worst comes first, and a restart loses nothing.
"""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.net.house_of_two import HOUSE_OF_TWO
from tests.net.namespace import inside

pytestmark = pytest.mark.net

WALK = """
FAULTS = {"source-absent", "universe-lost", "short-frame", "unexpected-source"}
write_house()
main = Machine("main desk", 20, (1, 2, 3, 4), priority=110)
spare = Machine("spare desk", 21, (1, 2, 3, 4), priority=100)
media = Machine("media", 30, (11, 12))
tour = Machine("tour desk", 50, (21,), "A")
laptop = Machine("laptop", 66, (2,), "A", slot_priority=150)
laptop.is_on = False
for machine in (main, spare, media, tour, laptop):
    machine.start()
read = {}

def look(name):
    read[name] = {
        "incidents": incidents(daemon, "all"), "plain": plain(daemon), "readiness": daemon.api("/api/v1/readiness"),
        "states": {one["universe"]: one["state"] for one in daemon.api("/api/v1/universes")},
    }

def of(rule):
    return next((one for one in incidents(daemon, "all") if one["rule"] == rule), None)

with ended(start(file, ports)) as daemon:
    until(lambda: all_well(daemon))
    main.leads.discard("A")
    media.is_on = False
    main.short[3] = spare.short[3] = 60
    laptop.is_on = True
    until(lambda: FAULTS <= {one["rule"] for one in incidents(daemon)})
    until(lambda: of("short-frame")["universes"] == ["e131/3@A", "e131/3@B"])
    until(lambda: all(len(of(rule)["universes"]) == 4 for rule in ("source-absent", "universe-lost")))  # they widen
    look("faults")
    power_cut(daemon)
with ended(start(file, ports)) as daemon:
    until(lambda: {"source-absent", "short-frame"} <= {one["rule"] for one in incidents(daemon)})
    until(lambda: daemon.universe("e131/1@A").get("frames"))
    look("resumed")
    until(lambda: of("universe-missing"))
    until(lambda: "since this listener restarted" in of("source-absent")["summary"])
    until(lambda: of("universe-missing")["cause"])
    look("restarted")
    media.is_on = True
    main.leads.add("A")
    until(lambda: of("source-absent")["returned_at"] and of("universe-missing")["returned_at"])
    look("back")
    assert daemon.stop() == 0, daemon.log()
over.set()
command = [sys.executable, "-m", "slotwatch.cli", "report", "-c", str(file), "--json"]
done = subprocess.run(command, capture_output=True, text=True)
print(json.dumps({"read": read, "report": json.loads(done.stdout)}))
"""
OF_THE_DAY = ("source-absent", "universe-lost", "universe-missing", "short-frame", "unexpected-source")
"""A busy computer makes its senders stutter too, which is true and reported; it is not part of the day."""


def by_rule(moment: Any) -> dict[str, Any]:
    found = [one for one in moment["incidents"] if one["rule"] in OF_THE_DAY]
    assert len({one["rule"] for one in found}) == len(found), "one cause, one incident"
    return {one["rule"]: one for one in found}


def beside_the_day(moment: Any) -> set[str]:
    """Universes that another incident is open on, as of senders that stutter."""
    others = (one for one in moment["incidents"] if one["state"] == "open" and one["rule"] not in OF_THE_DAY)
    return {name for one in others for name in one["universes"]}


def assert_told_as_it_is(moment: Any) -> None:
    """What holds of every page, whatever happens."""
    for one in moment["incidents"]:
        assert len(set(one["source_names"])) == len(one["source_names"])
        assert "  " not in one["summary"] and ".." not in one["summary"]
        assert not any('"media"' in line for line in one["still_working"]), "what is dead does not still work"
    of_the_day = [one for one in moment["incidents"] if one["state"] == "open" and one["rule"] in OF_THE_DAY]
    in_order = [one["summary"] for one in sorted(of_the_day, key=lambda one: one["urgency"], reverse=True)]
    listed = re.findall(r"<h3>\w+: (.*?)</h3>", moment["plain"].replace("&#34;", '"').replace("&#39;", "'"))
    assert [text for text in listed if text in in_order] == in_order, "one order, everywhere"


def test_three_faults_at_once_and_a_kill_are_reported_as_they_are() -> None:
    answer = inside(HOUSE_OF_TWO + "import subprocess\n" + WALK)
    read = answer["read"]
    for moment in ("faults", "resumed", "restarted"):
        assert_told_as_it_is(read[moment])

    before = by_rule(read["faults"])
    absent, lost = before["source-absent"], before["universe-lost"]
    assert (absent["cause"], absent["severity"], absent["source_names"]) == ("leg-lost", "warning", ["main desk"])
    assert absent["universes"] == [f"e131/{number}@A" for number in (1, 2, 3, 4)]
    assert "lead on network A down, network B continues" in absent["summary"]
    assert absent["summary"].count('"main desk"') == 1
    assert (lost["cause"], lost["severity"], lost["source_names"]) == ("source-lost", "critical", ["media"])
    assert lost["universes"] == ["e131/11@A", "e131/11@B", "e131/12@A", "e131/12@B"]
    assert "Universes Video left (e131/11) and Video right (e131/12) on A and B lost" in lost["summary"]
    stranger = before["unexpected-source"]
    assert stranger["severity"] == "critical"
    assert 'takes 512 slots of e131/2@A from "spare desk"' in stranger["summary"]
    assert before["short-frame"]["severity"] == "critical"
    assert f"<h1>{lost['summary'][:40]}" in read["faults"]["plain"].replace("&#34;", '"'), "the worst comes first"
    assert {one["rule"] for one in read["faults"]["readiness"]["reasons"]} >= set(before)

    numbers = {one["id"] for one in before.values()}
    for moment in ("resumed", "restarted"):
        after = by_rule(read[moment])
        assert {one["id"] for one in after.values()} == numbers, moment
        assert all(one["state"] == "open" for one in after.values())
        assert {one["rule"] for one in read[moment]["readiness"]["reasons"]} >= set(after), moment
        states, stutters = read[moment]["states"], beside_the_day(read[moment])
        for name, due in (("e131/1@A", {"on-backup"}), ("e131/1@B", {"steady"}), ("e131/3@A", {"faulty"})):
            assert states[name] in (due | {"faulty"} if name in stutters else due), moment
        assert states["e131/11@B"] in ("lost", "missing"), moment
    missing = by_rule(read["restarted"])["universe-missing"]
    assert (missing["id"], missing["cause"], missing["began_at"]) == (lost["id"], "source-lost", lost["began_at"])
    still_absent = by_rule(read["restarted"])["source-absent"]
    assert (still_absent["cause"], still_absent["began_at"]) == ("leg-lost", absent["began_at"])

    back = by_rule(read["back"])
    for rule in ("source-absent", "universe-missing"):
        assert "since" in back[rule]["summary"] and "being watched" in back[rule]["summary"]
        assert back[rule]["next_checks"] == []
    reported = [one["rule"] for one in answer["report"]["incidents"] if one["rule"] in OF_THE_DAY]
    assert sorted(reported) == ["short-frame", "source-absent", "unexpected-source", "universe-missing"]
