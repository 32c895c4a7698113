"""Play random nights in parts that can be cut off, and print one table of all that was played.

    python -m tests.rehearse.night_parts FOLDER FIRST COUNT [--healthy|--two] [--restarts]
                                                    play seeds; what is there already stays
    python -m tests.rehearse.night_parts FOLDER     print the table

Each night is one line of JSON in FOLDER, written when it ends. A line that another state of the program wrote is kept
and not counted, and its night is played again.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path

import msgspec

import slotwatch
from slotwatch.rehearse.anytwo import any_two
from slotwatch.rehearse.nights import any_night, healthy_night
from tests.rehearse.nights import NightResult, play, play_restarted


@cache
def program() -> str:
    """Digest of all that judges, draws and scores: results of one digest belong together."""
    package, tests = Path(slotwatch.__file__).parent, Path(__file__).parent
    scoring = [tests / name for name in ("nights.py", "theatre.py", "invariants.py", "agreement.py")]
    digest = hashlib.sha256()
    for path in (*sorted(package.rglob("*.py")), *scoring):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def saved(folder: Path) -> Iterator[NightResult]:
    """Read every whole line of a folder; the last line of a run that was cut off may be half."""
    for path in sorted(folder.glob("nights-*.jsonl")):
        for line in path.read_bytes().splitlines():
            try:
                yield msgspec.json.decode(line, type=NightResult)
            except msgspec.DecodeError:
                continue


def play_part(
    folder: Path, seeds: Iterable[int], play_one: Callable[[int], NightResult] = play
) -> Iterator[NightResult]:
    """Play those nights of a part that this program has not played yet, and save each as it ends."""
    folder.mkdir(parents=True, exist_ok=True)
    known = {(one.seed, one.program) for one in saved(folder)}
    seeds = [seed for seed in seeds if (seed, program()) not in known]
    if not seeds:
        return
    with (folder / f"nights-{seeds[0]}.jsonl").open("ab") as part:
        part.write(b"\n")  # ends a half line of before
        for seed in seeds:
            one = msgspec.structs.replace(play_one(seed), program=program())
            part.write(msgspec.json.encode(one) + b"\n")
            part.flush()
            yield one


@dataclass
class Table:
    """Recall and precision of many nights, by fault, by rule and by cause."""

    nights: int = 0
    healthy: int = 0
    """Without a fault that must be reported."""
    false_in_healthy: int = 0
    played: Counter[tuple[str, str]] = field(default_factory=Counter)
    """By (rule, fault)."""
    found: Counter[tuple[str, str]] = field(default_factory=Counter)
    causes: Counter[tuple[str, str]] = field(default_factory=Counter)
    """Found faults of which a cause is right or wrong."""
    right: Counter[tuple[str, str]] = field(default_factory=Counter)
    raised: Counter[tuple[str, str]] = field(default_factory=Counter)
    """By (rule, cause)."""
    true: Counter[tuple[str, str]] = field(default_factory=Counter)
    raised_causes: Counter[tuple[str, str]] = field(default_factory=Counter)
    """True incidents of which a cause is right or wrong."""
    raised_right: Counter[tuple[str, str]] = field(default_factory=Counter)

    def take(self, night: NightResult) -> None:
        """Add one night."""
        self.nights += 1
        self.healthy += night.is_healthy
        for fault in night.faults:
            key = fault.rule, fault.fault
            self.played[key] += 1
            self.found[key] += fault.is_found
            self.causes[key] += bool(fault.cause)
            self.right[key] += fault.cause == "right"
        for incident in night.incidents:
            key = incident.rule, incident.cause
            self.raised[key] += 1
            self.true[key] += incident.is_true
            self.raised_causes[key] += incident.is_cause_right is not None
            self.raised_right[key] += incident.is_cause_right is True
            self.false_in_healthy += night.is_healthy and not incident.is_true

    def lines(self) -> Iterator[str]:
        """Give the table in Markdown."""
        played, found = self.played.total(), self.found.total()
        causes, right = self.causes.total(), self.right.total()
        raised, true = self.raised.total(), self.true.total()
        yield f"{self.nights} nights, {self.healthy} of them without a fault that must be reported."
        yield f"Found {found} of {played} faults ({_share(found, played)}); cause right in {right} of {causes} "
        yield f"({_share(right, causes)}); {raised - true} of {raised} incidents are false, "
        yield f"{self.false_in_healthy} of them in nights without a fault."
        yield from ("", "| rule | fault | played | found | cause right |", "| --- | --- | --- | --- | --- |")
        for key in sorted(self.played):
            share = _share(self.found[key], self.played[key])
            yield f"| {key[0]} | {key[1]} | {self.played[key]} | {share} | {_of(self.right[key], self.causes[key])} |"
        yield from ("", "| rule | cause | raised | true | cause right |", "| --- | --- | --- | --- | --- |")
        for key in sorted(self.raised):
            right_of = _of(self.raised_right[key], self.raised_causes[key])
            share = _share(self.true[key], self.raised[key])
            yield f"| {key[0]} | {key[1] or '-'} | {self.raised[key]} | {share} | {right_of} |"


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "-"


def _of(part: int, whole: int) -> str:
    return f"{part} of {whole}" if whole else "-"


def table_of(folder: Path) -> Table:
    """Count every night of a folder once, as this program judged it."""
    table = Table()
    for night in {one.seed: one for one in saved(folder) if one.program == program()}.values():
        table.take(night)
    return table


def main(words: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(description="Play random nights in parts, and print their table.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("first", type=int, nargs="?")
    parser.add_argument("count", type=int, nargs="?", default=1)
    parser.add_argument("--healthy", action="store_true", help="nights in which nothing fails")
    parser.add_argument("--two", action="store_true", help="drawn shows of a house of two networks")
    parser.add_argument("--restarts", action="store_true", help="the listener is restarted once in each")
    asked = parser.parse_args(words)
    if asked.first is not None:
        seeds = range(asked.first, asked.first + asked.count)
        draw = healthy_night if asked.healthy else any_two if asked.two else any_night
        play_one = play_restarted if asked.restarts else play
        for night in play_part(asked.folder, seeds, partial(play_one, draw=draw)):
            for text in night.wrong:
                print(f"{night.seed} ({night.title}): {text}", flush=True)
    print("\n".join(table_of(asked.folder).lines()))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
