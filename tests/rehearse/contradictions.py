"""Print what contradicts itself: `python -m tests.rehearse.contradictions [--restart] [FIRST LAST | --scenarios …]`.

--restart: the program is restarted in the middle of each show. --scenarios may be followed by names.
--two: drawn shows of a house of two networks. --nights: random nights.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterable

from slotwatch.rehearse.anytrouble import any_trouble
from slotwatch.rehearse.anytwo import any_two
from slotwatch.rehearse.catalogue import SCENARIOS
from slotwatch.rehearse.nights import any_night
from slotwatch.rehearse.scenario import Scenario
from slotwatch.snapshot import Snapshot
from tests.rehearse.invariants import violations
from tests.rehearse.theatre import BASE_NS, perform


def main(words: list[str]) -> int:
    """Play drawn shows, or all scenarios, and print each kind of contradiction once a show with its first moment."""
    shows: Iterable[Scenario]
    is_restarted = "--restart" in words
    draw: Callable[[int], Scenario] = any_trouble
    if "--two" in words or "--nights" in words:
        any_of = any_two if "--two" in words else any_night
        draw = lambda seed: any_of(seed).scenario  # noqa: E731
    words = [word for word in words if word not in ("--restart", "--two", "--nights")]
    if words[:1] == ["--scenarios"]:
        shows = [one for one in SCENARIOS.values() if not words[1:] or one.name in words[1:]]
    else:
        first, last = (int(words[0]), int(words[1])) if len(words) > 1 else (1, 20)
        shows = (draw(seed) for seed in range(first, last + 1))
    count, wrong = 0, 0
    for show in shows:
        found: Counter[str] = Counter()
        moments: dict[str, float] = {}

        def look(snapshot: Snapshot, found: Counter[str] = found, moments: dict[str, float] = moments) -> None:
            for text in violations(snapshot):
                found[text] += 1
                moments.setdefault(text, (snapshot.now_ns - BASE_NS) / 1e9)

        middle_s = show.seconds / 2
        away_s = (middle_s, middle_s + 1.5) if is_restarted else None
        perform(show, resting=bool(words[:1] == ["--scenarios"]), look=look, restart_s=away_s)
        count += 1
        wrong += bool(found)
        if found:
            print(f"{show.name}: {show.title}", flush=True)
        for text, times in found.most_common(6):
            print(f"    {moments[text]:6.1f} s, {times} times: {text}", flush=True)
    print(f"{count} shows, {wrong} with contradictions")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
