"""Score random nights: `python -m tests.rehearse.nights [--two] [FIRST [COUNT]]` prints recall, precision and causes.

--two: drawn shows of a house of two networks instead.
"""

from __future__ import annotations

import math
import re
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from slotwatch.rehearse.anytwo import any_two
from slotwatch.rehearse.nights import Expected, Night, any_night
from slotwatch.snapshot import Incident
from tests.rehearse.theatre import Performance, line_of, perform, seconds

SLACK_S = 1.0
ODD_WORDS = re.compile(
    r"\(s\)|\b1 (streams|universes|sources|slots|frames|gaps|packets|times|devices|groups)\b"
    r"|\b(\w+) \2\b|  |\.\.(?!\.)|\?\.|,\.|:\.|None|nan\b|\{|\}"
)
"""Plurals of one, words twice, placeholders and punctuation that nobody wrote."""


@dataclass
class Score:
    """What became of nights: counts by fault, by cause and by rule, and each thing that was wrong, in words."""

    nights: int = 0
    healthy: int = 0
    played: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    with_cause: Counter[str] = field(default_factory=Counter)
    right_cause: Counter[str] = field(default_factory=Counter)
    reported: Counter[str] = field(default_factory=Counter)
    true: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def take(self, night: Night, performance: Performance) -> None:
        """Hold one night against its truth."""
        self.nights += 1
        self.healthy += not night.expected
        where = f"night {night.seed} ({night.scenario.title})"
        for one in night.expected:
            self._take_expected(one, performance, where)
        for incident in performance.alarms():
            self.reported[incident.rule] += 1
            if any(_is_about(incident, one, (*one.rules, *one.also)) for one in (*night.expected, *night.allowed)):
                self.true[incident.rule] += 1
            else:
                self.wrong.append(f"{where}: false: {line_of(incident)}: {incident.summary}")
        for text in dict.fromkeys(_texts(performance)):
            if ODD_WORDS.search(text):
                self.wrong.append(f"{where}: odd words: {text}")

    def _take_expected(self, one: Expected, performance: Performance, where: str) -> None:
        self.played[one.fault] += 1
        about = [each for each in performance.alarms() if _is_about(each, one, one.rules)]
        timely = [each for each in about if _first_s(each, one.at_s) <= one.due_s + SLACK_S]
        if not timely:
            late = f" (late: {line_of(about[0])})" if about else ""
            self.wrong.append(f"{where}: missed: {one.fault}, due {one.due_s:.1f} s{late}")
            return
        # What is lost as a whole loses no single frames.
        beside = [each for each in performance.alarms() if _is_about(each, one, (*one.rules, *one.also))]
        missing = set(one.universes) - {name for each in beside for name in _named(each)}
        if missing:
            self.wrong.append(f"{where}: {one.fault} without {', '.join(sorted(missing))}: {line_of(timely[0])}")
            return
        self.found[one.fault] += 1
        if one.causes:
            self.with_cause[one.fault] += 1
            causes = {each.cause for each in timely}
            if causes <= set(one.causes):
                self.right_cause[one.fault] += 1
            else:
                self.wrong.append(f"{where}: {one.fault}: cause {causes}, not {one.causes}: {timely[0].summary}")

    def table(self) -> str:
        """Print everything in one table."""
        lines = [f"{self.nights} nights, {self.healthy} of them without a fault that must be reported", ""]
        lines.append(f"{'fault':28}{'played':>8}{'recall':>8}{'cause right':>13}")
        for fault in sorted(self.played):
            cause = f"{self.right_cause[fault]}/{self.with_cause[fault]}" if self.with_cause[fault] else "-"
            lines.append(
                f"{fault:28}{self.played[fault]:8}{_share(self.found[fault], self.played[fault]):>8}{cause:>13}"
            )
        lines += ["", f"{'rule':28}{'raised':>8}{'precision':>11}"]
        for rule in sorted(self.reported):
            lines.append(f"{rule:28}{self.reported[rule]:8}{_share(self.true[rule], self.reported[rule]):>11}")
        total = (
            f"{'all':28}{sum(self.played.values()):8}{_share(sum(self.found.values()), sum(self.played.values())):>8}"
        )
        lines += ["", f"{total}  precision {_share(sum(self.true.values()), sum(self.reported.values()))}"]
        return "\n".join(lines)


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f}%" if whole else "-"


def _plain(universes: Iterable[str]) -> set[str]:
    """Universes with and without their networks: a truth may name either."""
    names = set(universes)
    return names | {name.partition("@")[0] for name in names}


def _named(incident: Incident) -> set[str]:
    """Universes that it is about or accounts for."""
    return _plain(incident.universes).union(*(_plain(universes) for _, universes in incident.explains))


def _first_s(incident: Incident, at_s: float) -> float:
    """When it first spoke of a moment: it opened then, or what was open returned or was widened."""
    times = [
        incident.opened_ns,
        *(one.t_ns for one in incident.timeline if one.what in ("returned", "revised", "widened")),
    ]
    return min((seconds(t_ns) for t_ns in times if seconds(t_ns) >= at_s), default=math.inf)


def _is_about(incident: Incident, one: Expected, rules: tuple[str, ...]) -> bool:
    return (
        incident.rule in rules
        and (not one.universes or bool(_named(incident) & set(one.universes)))
        and _first_s(incident, one.at_s) < math.inf
    )


def _texts(performance: Performance) -> list[str]:
    texts = list(performance.summaries)
    for each in performance.incidents:
        texts += [*each.evidence, *each.also_possible, *each.still_working, *each.next_checks]
    return texts


def score(seeds: Iterable[int], report: bool = False, draw: Callable[[int], Night] = any_night) -> Score:
    """Play nights and score them."""
    total = Score()
    for seed in seeds:
        night, known = draw(seed), len(total.wrong)
        total.take(night, perform(night.scenario))
        if report:
            for line in total.wrong[known:]:
                print(line, flush=True)
    return total


def main(words: list[str]) -> int:
    draw = any_two if "--two" in words else any_night
    words = [word for word in words if word != "--two"]
    first = int(words[0]) if words else 1
    count = int(words[1]) if len(words) > 1 else 40
    began_s = time.monotonic()
    total = score(range(first, first + count), report=True, draw=draw)
    print(f"{total.table()}\n{time.monotonic() - began_s:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
