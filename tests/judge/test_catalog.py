"""The rule table is complete, and every row of it can be shown to a person."""

from __future__ import annotations

import re
from importlib import import_module
from pkgutil import iter_modules

import pytest

from slotwatch.house.rule_names import RULE_NAMES
from slotwatch.house.schema import Fixture, Line, Rack, Receiver, Route
from slotwatch.judge import phases, rules
from slotwatch.judge.catalog import CATALOG, CAUSES, FLAPPING, RULES
from slotwatch.judge.rule import Rule, RuleClass
from slotwatch.judge.rule_state import all_states
from slotwatch.judge.rules.sequence_unusable import TWO_SENDERS
from slotwatch.judge.shared_path import SHARED_PATH
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.elsewhere import STAGE_END
from tests.judge.stage import house_of
from tests.judge.switches import FOH
from tests.rehearse.sentence_form import odd_forms, unfinished

# Severities of the published rules in `show`, written out again.
SEVERITIES = {
    "critical": "universe-lost universe-missing short-frame source-conflict duplicate-identity link-down join-failed "
    "non-dim-partial route-loop route-output-lost sync-missing lost-between",
    "warning": "source-absent backup-absent backup-in-control receiver-silent slow-refresh fast-refresh uneven-refresh "
    "packet-loss sequence-unusable unexpected-source backup-differs slot-priority-faulty preview-only wrong-group "
    "echoed-universe malformed-packets too-many-sources repeated-packets querier-absent host-overrun patch-conflict "
    "powered-off flash-rate way-overload supply-overload loss-between damaged-packets winners-differ packet-flood "
    "receiver-differs",
    "note": "out-of-order undeclared-universe stray-levels identity-changed fallback-address querier-changed "
    "flooded-groups duplicate-address skewed-universes fine-stuck fine-swapped torn-pair level-stuck glare-held "
    "control-held listener-silent unlike-usual slots-vary",
}
SPAN = re.compile(
    r"\b(\d[\d.,]*|half an?|an?|one|two|three|four|five|six|seven|eight|nine|ten|twelve|fifteen|twenty|thirty|sixty)"
    r"[ -](ns|us|ms|s|min|h|seconds?|minutes?|hours?)\b",
    re.I,
)
"""A time that is written out: it would stay when the parameter beside it changes."""
ASKS_TO_TOUCH = re.compile(r"\b(unplug|reseat|restart|reboot|open the rack|swap|take out|pull|plug in)\b", re.I)
TOUCHES = re.compile(ASKS_TO_TOUCH.pattern + r"|\b(try|change|move|stop|start|give|turn|tap)\b", re.I)


@pytest.mark.parametrize("severity", SEVERITIES)
def test_severities_are_the_published_ones(severity: str) -> None:
    for name in SEVERITIES[severity].split():
        assert CATALOG[name].severity is Severity[severity.upper()], name


def test_names_are_the_house_files_names() -> None:
    assert set(CATALOG) - {FLAPPING.name} == set(RULE_NAMES), "run: make docs"
    assert len(CATALOG) == len(RULES)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_next_checks_are_whole_sentences_and_mark_the_names_of_a_file(rule: Rule) -> None:
    """Common practice, no source: a name that is typed stands in backticks, as in the house file's own documents."""
    for check in (*rule.next_checks, *rule.next_checks_quiet):
        assert not [*odd_forms(check), *unfinished(check)], check


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_no_sentence_writes_out_a_time(rule: Rule) -> None:
    """Delays and windows come from the rule's parameters; `a second` is the unit of a rate, not a time."""
    for text in (rule.sentence, rule.short.one, rule.short.many):
        own = re.sub(r"\{[^}]*\}", "…", text)
        assert not [found for found in SPAN.findall(own) if found != ("a", "second")], own


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_every_row_says_where_its_numbers_come_from_and_what_to_look_at(rule: Rule) -> None:
    assert rule.sentence.endswith((".", "}"))
    assert rule.source
    assert rule.next_checks
    assert all(threshold.text and threshold.source for threshold in (*rule.parameters.rows(), *rule.measured))
    assert all(re.fullmatch(r"F\d{2,3}", fault) for fault in rule.faults)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_checks_of_pre_show_and_show_only_ask_to_look(rule: Rule) -> None:
    for check in rule.next_checks:
        assert not ASKS_TO_TOUCH.search(check), check


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_checks_that_touch_something_say_first_that_the_rig_must_be_clear(rule: Rule) -> None:
    """Good practice beside moving fixtures (common practice, no source)."""
    for check in rule.next_checks_quiet:
        only_reads = check.startswith(("Look ", "Read ", "Check whether ", "Find out ")) and not TOUCHES.search(check)
        by_competent = "by a competent person, isolated, under local rules" in check
        assert only_reads or by_competent or check.startswith("Lights may move or go out: clear the rig first. "), check


def test_what_is_damp_is_left_to_a_competent_person() -> None:
    checks = " ".join((*CATALOG["line-faulty"].next_checks, *CATALOG["line-faulty"].next_checks_quiet))
    assert "Touch no damp connector." in checks
    assert "damp connector repaired by a competent person, isolated" in checks and "cool first" in checks


EVERYTHING = house_of(
    (1,),
    lines=(Line("rack-feed", 1, "/dev/ttyUSB0", compare_with=UniverseId(Protocol.E131, 1)),),
    fixtures=(Fixture("front", UniverseId(Protocol.E131, 1), 1, ("intensity",)),),
    listeners=(STAGE_END,),
    switches=(FOH,),
    receivers=(Receiver("node", "10.0.1.2", (UniverseId(Protocol.ARTNET, 0),)),),
    racks=(Rack("A", UniverseId(Protocol.E131, 1), 1, 6),),
    routes=(Route("tower", UniverseId(Protocol.E131, 1), target_serial="/dev/ttyUSB1"),),
)
"""A house that declares something for every rule."""


def test_every_rule_but_the_composed_one_is_bound() -> None:
    bound = {state.rule.name for state in all_states(EVERYTHING, RULES)}
    assert set(CATALOG) - bound == {FLAPPING.name}


def test_a_rules_module_has_its_name() -> None:
    for one in iter_modules(rules.__path__):
        rule = import_module(f"slotwatch.judge.rules.{one.name}").RULE
        assert rule.name == one.name.replace("_", "-")


def test_what_explains_what_speaks_of_rules_and_causes_that_exist() -> None:
    for rule in RULES:
        for reach in rule.explains.reaches:
            assert reach.rules | reach.but <= set(CATALOG), (rule.name, reach)
            assert reach.causes <= {*CAUSES, SHARED_PATH, TWO_SENDERS, "loop", "damaged"}


def test_no_two_rules_have_one_rank() -> None:
    """Else chance would say which of them explains a case."""
    ranks = [rule.explains.rank for rule in RULES if rule.explains.reaches]
    assert len(set(ranks)) == len(ranks)


def test_listener_faults_are_explained_by_nothing_of_the_show() -> None:
    """They accuse no source, and nothing of the show may hide them."""
    own = [CATALOG["link-down"], CATALOG["host-overrun"]]
    for wide in RULES:
        for reach in wide.explains.reaches:
            assert not any(reach.covers(rule.name, rule.effects) for rule in own), wide.name


def test_the_classes_cover_every_phase() -> None:
    assert set(phases.GRADES) == set(RuleClass)
