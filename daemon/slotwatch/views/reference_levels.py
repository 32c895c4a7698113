"""Reference levels as the API's objects, as sentences and as CSV."""

from __future__ import annotations

import csv
import io
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from itertools import accumulate
from typing import cast

from slotwatch.durations import MILLISECOND_NS
from slotwatch.house.schema import House
from slotwatch.model.level_watch import LastGood
from slotwatch.model.reference_comparison import Comparison, Difference
from slotwatch.model.reference_levels import KeptFixture, Reference, UniverseLevels, channels_of, patched
from slotwatch.snapshot.readiness import Reason
from slotwatch.views.answers.references import (
    AboutReferenceAnswer,
    ComparisonAnswer,
    FixtureDifferenceAnswer,
    FixtureLevelsAnswer,
    LastGoodAnswer,
    ReferenceAnswer,
    ReferenceDetailAnswer,
    RoleLevelAnswer,
)
from slotwatch.views.moments import iso_wall

CAUTION = (
    "Levels are only shown, never sent. Setting them by hand can move fixtures and turn on bright ones: "
    "make sure that nobody is near, and bring them up slowly."
)
MOST_LISTED = 2_000
MOST_SLOTS = 16_384
"""Of the last good levels of one incident: of 512 universes without a patch they were 13 MB of JSON."""
NAMED = 3
"""Fixtures that a sentence names."""
RULE = "reference-levels"


def about(reference: Reference, size_bytes: int, *, automatic: bool) -> AboutReferenceAnswer:
    """What lists say about a reference; stored with it."""
    return {
        "fixtures": len(reference.fixtures),
        "universes": len(reference.universes),
        "moving": sum(int(one.moving.sum()) for one in reference.universes.values()),
        "left_out": list(reference.left_out),
        "automatic": automatic,
        "bytes": size_bytes,
    }


def listed(name: str, at_ms: int, by: str, about: Mapping[str, object]) -> ReferenceAnswer:
    """One row of the list."""
    return cast("ReferenceAnswer", {"name": name, "at": iso_wall(at_ms * MILLISECOND_NS), "by": by, **about})


def detail(row: ReferenceAnswer, reference: Reference) -> ReferenceDetailAnswer:
    """A reference with the levels of every fixture."""
    levels = [fixture_levels(one, reference.universes[one.universe]) for one in reference.fixtures]
    return {**row, "caution": CAUTION, "levels": levels}


def fixture_levels(one: KeptFixture, held: UniverseLevels | LastGood) -> FixtureLevelsAnswer:
    """A fixture with its levels by role; control and strobe are among its slots only."""
    slots = held.levels[one.address - 1 : one.last_slot].tolist()
    moving = held.moving[one.address - 1 : one.last_slot].tolist()
    roles: list[RoleLevelAnswer] = [
        {
            "role": channel.role,
            "percent": _percent(
                (slots[channel.coarse] * 256 + slots[channel.fine]) / 65535
                if channel.fine >= 0
                else slots[channel.coarse] / 255
            ),
            "moving": moving[channel.coarse],
        }
        for channel in channels_of(one.slots)
    ]
    return {
        "fixture": one.name,
        "label": one.label,
        "profile": one.profile,
        "position": one.position,
        "rack": one.rack,
        "universe": one.universe,
        "address": one.address,
        "levels": roles,
        "slots": slots,
    }


def comparison(reference: Reference, found: Comparison, now_wall_ns: int, tolerance_percent: float) -> ComparisonAnswer:
    """A comparison, grouped by position and rack, worst first."""
    groups: dict[tuple[str, str], list[FixtureDifferenceAnswer]] = {}
    for one in found.differences[:MOST_LISTED]:
        groups.setdefault((one.fixture.position, one.fixture.rack), []).append(_difference(one))
    answer: ComparisonAnswer = {
        "name": reference.name,
        "kept_at": iso_wall(reference.at_wall_ns),
        "at": iso_wall(now_wall_ns),
        "tolerance_percent": tolerance_percent,
        "text": sentence(reference.name, found),
        "caution": CAUTION,
        "fixtures": found.compared,
        "differ": len(found.differences),
        "moving": found.moving,
        "groups": [
            {"position": position, "rack": rack, "differences": rows} for (position, rack), rows in groups.items()
        ],
        "not_compared": [
            {"fixture": one.fixture, "reason": one.reason, "text": f"{one.fixture}: {one.text}."}
            for one in found.not_compared[:MOST_LISTED]
        ],
        "moved": [{"fixture": name, "was": was, "now": now} for name, was, now in found.moved[:MOST_LISTED]],
    }
    if len(found.differences) > MOST_LISTED:
        answer["left_out"] = len(found.differences) - MOST_LISTED
    return answer


def sentence(name: str, found: Comparison) -> str:
    """Say it in one sentence: "3 fixtures differ from act 1 opening: unit 12 is at 0 %, was 60 %"."""
    count = len(found.differences)
    if not found.compared:
        return f"No fixture can be compared with {name}."
    if not count:
        few = f"{found.compared} fixture{' is' if found.compared == 1 else 's are'}"
        return f"{few} as in {name}{_and_not_compared(found)}."
    shown = "; ".join(_say(one) for one in found.differences[:NAMED])
    more = f"; and {count - NAMED} more" if count > NAMED else ""
    fixtures = "1 fixture differs" if count == 1 else f"{count} fixtures differ"
    return f"{fixtures} from {name}: {shown}{more}{_and_not_compared(found)}."


def _and_not_compared(found: Comparison) -> str:
    count = sum(one.reason != "new" for one in found.not_compared)
    return f"; {count} could not be compared" if count else ""


def _say(one: Difference) -> str:
    worst = one.channels[0]
    label = f" ({one.fixture.label})" if one.fixture.label and one.fixture.label != one.fixture.name else ""
    role = "" if worst.role == "intensity" else f" {worst.role}"
    return f"{one.fixture.name}{label}{role} is at {_percent(worst.now):g} %, was {_percent(worst.was):g} %"


def reason(name: str, found: Comparison | None) -> Reason | None:
    """Why the house is not ready because of a reference; None if all is as it was. found: None if there is none."""
    if found is None:
        text = f"No reference levels are kept under the name {name}."
        return Reason(RULE, text)
    whys = ("mode-changed", "not-patched", *(() if found.compared else ("moving",)))
    changed = [one for one in found.not_compared if one.reason in whys]
    if not found.differences and not changed:
        return None
    text = sentence(name, found)
    if not found.differences:
        words = "; ".join(f"{one.fixture}: {one.text}" for one in changed[:NAMED])
        more = f"; and {len(changed) - NAMED} more" if len(changed) > NAMED else ""
        text = f"Not all of {name} can be compared: {words}{more}."
    return Reason(RULE, text, tuple(sorted({one.universe for one in found.differences})))


def last_good(house: House, found: Mapping[str, LastGood], wall_offset_ns: int) -> LastGoodAnswer | None:
    """The last good levels of some universes, by fixture; None if none are known."""
    if not found:
        return None
    plain = {name.partition("@")[0]: held for name, held in found.items()}
    shown = patched(house, {name: UniverseLevels(one.levels, one.slots, one.moving) for name, one in plain.items()})
    wanted = [one for one in shown if one.universe in plain and one.last_slot <= len(plain[one.universe].levels)]
    ends = list(accumulate(len(one.slots) for one in wanted[:MOST_LISTED]))
    listed = wanted[: bisect_right(ends, MOST_SLOTS)]
    oldest_ns = min(one.at_ns for one in found.values())
    return {
        "caution": CAUTION,
        "at": iso_wall(oldest_ns + wall_offset_ns),
        "universes": list(found),
        "fixtures": [fixture_levels(one, plain[one.universe]) for one in listed],
        "left_out": len(wanted) - len(listed),
    }


def reference_csv(answer: ReferenceDetailAnswer) -> str:
    """Every fixture and role of a reference."""
    rows = [
        [
            *_place(one),
            level["role"],
            level["percent"],
            "yes" if level["moving"] else "no",
        ]
        for one in answer["levels"]
        for level in one["levels"]
    ]
    head = ["fixture", "label", "position", "rack", "universe", "address", "role", "percent", "moving"]
    return _csv(head, rows)


def comparison_csv(answer: ComparisonAnswer) -> str:
    """Every role that differs, and every fixture that was not compared."""
    rows: list[list[object]] = [
        [
            *_place(one),
            role["role"],
            role["was_percent"],
            role["now_percent"],
            "differs",
        ]
        for group in answer["groups"]
        for one in group["differences"]
        for role in one["roles"]
    ]
    rows += [[one["fixture"], *[""] * 8, one["reason"]] for one in answer["not_compared"]]
    head = ["fixture", "label", "position", "rack", "universe", "address", "role", "was_percent", "now_percent", "what"]
    return _csv(head, rows)


def _place(one: FixtureLevelsAnswer | FixtureDifferenceAnswer) -> list[object]:
    return [one["fixture"], one["label"], one["position"], one["rack"], one["universe"], one["address"]]


def _csv(head: list[str], rows: Iterable[Sequence[object]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(head)
    writer.writerows([[_cell(value) for value in row] for row in rows])
    return out.getvalue()


def _cell(value: object) -> object:
    """A spreadsheet computes a text that begins like this; an apostrophe before it keeps it a text."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _difference(one: Difference) -> FixtureDifferenceAnswer:
    return {
        "fixture": one.fixture.name,
        "label": one.fixture.label,
        "position": one.fixture.position,
        "rack": one.fixture.rack,
        "universe": one.universe,
        "address": one.address,
        "by_percent": _percent(one.worst),
        "roles": [
            {"role": channel.role, "was_percent": _percent(channel.was), "now_percent": _percent(channel.now)}
            for channel in one.channels
        ],
    }


def _percent(share: float) -> float:
    return round(share * 100, 1)
