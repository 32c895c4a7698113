"""Phrases that several sentences share: lists of universes, times of day, lists of names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, tzinfo
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import MILLISECOND_NS, NANOSECONDS

SHORT_NS = 50 * MILLISECOND_NS
"""What is shorter would be written as 0.0 s."""
MOST_NAMES = 6
"""Names written out before a list is cut: a line must be read at arm's length."""
MOST_RUNS = 4
"""Runs of universes that are written out; of more, the first three universes and how many more there are."""
FIRST_UNIVERSES = 3
SAID_STEP_NS = NANOSECONDS
"""A smaller correction of the wall clock changes no time that people read."""
MOST_MOMENTS = 1024
"""Times of day that are kept in words: each assembly of an incident says the same ones again."""
MOST_LABELLED = 6
"""Universes that are each named with their label."""


def list_names(names: Iterable[str]) -> str:
    """Join names as a person would say them: `A, B and C`; long lists end in how many more there are."""
    every = list(names)
    if len(every) > MOST_NAMES:
        return ", ".join(every[:MOST_NAMES]) + f" and {len(every) - MOST_NAMES} more"
    if len(every) < 2:
        return "".join(every)
    return ", ".join(every[:-1]) + " and " + every[-1]


def say_all(number: int, noun: str) -> str:
    """Say that all of several are meant, without their names: `both sources`, `all 3 sources`."""
    return f"both {noun}s" if number == 2 else f"all {number:,} {noun}s"


def count(number: int, noun: str) -> str:
    """Say how many of a thing there are: `1 gap`, `3 gaps`."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def list_universes(names: Sequence[str], labels: Sequence[str] = ()) -> str:
    """Say which universes, runs drawn together: `Universes e131/3 to e131/6 and artnet/0`.

    labels: the house's label of each name ("" for none); used only where there is room for them.
    """
    if len(names) == 1:
        return f"Universe {labels[0]} ({names[0]})" if labels and labels[0] else f"Universe {names[0]}"
    runs = list(_runs(names))
    plain = list(dict.fromkeys(names))
    if any(labels) and (labelled := _labelled(plain, dict(zip(names, labels, strict=False)))):
        return labelled
    if len({name.partition("@")[0] for name in names}) == 1:
        label = labels[0] if labels else ""
        return f"Universe {label} ({runs[0]})" if label else f"Universe {runs[0]}"
    if len(plain) == 2:
        # "1 to 2" is read as more than two.
        return "Universes " + list_names(in_order(plain))
    if len(runs) <= MOST_RUNS:
        return "Universes " + list_names(runs)
    # Three and a count are read at a glance; the incident's universes hold the whole list.
    networks = {name.partition("@")[2] for name in names}
    every = in_order(names) if len(networks) == 1 else list(dict.fromkeys(n.partition("@")[0] for n in in_order(names)))
    first = every[:FIRST_UNIVERSES]
    where = f" on {list_names(sorted(networks))}" if len(networks) > 1 else ""
    return f"Universes {', '.join(first)} and {len(every) - len(first)} more{where}"


def _labelled(names: Sequence[str], label_of: Mapping[str, str]) -> str:
    """Several universes with their labels: `Universes LED (e131/3) and Floor (e131/4) on A and B`; "" if too many."""
    networks: dict[str, list[str]] = {}
    for name in in_order(names):
        number, _, network = name.partition("@")
        networks.setdefault(number, []).append(network)
    kinds = {tuple(several) for several in networks.values()}
    if not 1 < len(networks) <= MOST_LABELLED:
        return ""
    if all(len(kind) == 1 for kind in kinds):
        return "Universes " + list_names(_with_label(name, label_of) for name in in_order(names))
    own = {name.partition("@")[0]: label for name, label in label_of.items()}
    if len(kinds) > 1:
        return "Universes " + list_names(_where(number, on, own.get(number, "")) for number, on in networks.items())
    (on,) = kinds
    return f"Universes {list_names(_with_label(number, own) for number in networks)} on {list_names(on)}"


def _where(number: str, networks: Sequence[str], label: str) -> str:
    """One of several universes that are not on the same networks: `LED (e131/3 on A and B)`, `Floor (e131/4@A)`."""
    name = f"{number}@{networks[0]}" if len(networks) == 1 else f"{number} on {list_names(networks)}"
    return f"{label} ({name})" if label else name


def _with_label(name: str, label_of: Mapping[str, str]) -> str:
    return f"{label_of[name]} ({name})" if label_of.get(name) else name


def list_slots(numbers: Sequence[int] | NDArray[np.intp]) -> str:
    """Say which slots, runs drawn together: `slots 1 to 12 and 40`, `slot 7`."""
    noun = "slot" if len(numbers) == 1 else "slots"
    every = np.asarray(numbers, np.intp)
    breaks = (every[1:] - every[:-1] != 1).nonzero()[0]
    # Only the runs that are read are written, not all 500.
    read = breaks[: MOST_NAMES + 1]
    begins = [*every[:1].tolist(), *every[read + 1].tolist()]
    ends = [*every[read].tolist(), *every[-1:].tolist()]
    written = [str(first) if first == last else f"{first} to {last}" for first, last in zip(begins, ends, strict=True)]
    return f"{noun} {list_names(written + [''] * (len(breaks) - len(read)))}"


def time_of_day(t_ns: int, wall_offset_ns: int, zone: tzinfo) -> str:
    """Give the house's wall clock at a monotonic time, as `written` does."""
    return _clock((t_ns + wall_offset_ns) // NANOSECONDS, zone)


@lru_cache(maxsize=MOST_MOMENTS)
def _clock(second: int, zone: tzinfo) -> str:
    return written(datetime.fromtimestamp(second, zone), "%H:%M:%S")


def written(moment: datetime, form: str) -> str:
    """Write a moment: `20:41:07`. In an hour that comes twice, as summer time ends, say which: `02:41:07 CEST`."""
    text = moment.strftime(form)
    comes_twice = moment.utcoffset() != moment.replace(fold=1 - moment.fold).utcoffset()
    return f"{text} {moment.tzname()}" if comes_twice else text


def at_the_start(words: str) -> str:
    """Give these words where they begin a sentence."""
    return words[:1].upper() + words[1:]


def seconds(span_ns: int) -> str:
    """Give a span as the page does: one decimal under a minute, a short one in milliseconds, from two minutes on
    coarsely."""
    span_s = span_ns / NANOSECONDS
    if 0 < span_ns < SHORT_NS:
        return f"{max(1, round(span_ns / MILLISECOND_NS))} ms"
    if span_s < 120:
        return f"{span_s:.1f} s" if span_s < 60 else f"{span_s:.0f} s"
    hours, minutes = divmod(int(span_s // 60), 60)
    if hours < 2:
        return f"{60 * hours + minutes} min"
    return f"{hours} h {minutes:02} min" if hours < 48 else f"{hours // 24} days"


def in_order(names: Iterable[str]) -> list[str]:
    """Sort names by protocol and number, and lines by their names."""

    def place(name: str) -> tuple[str, int, str, str]:
        protocol, _, rest = name.partition("/")
        number, _, network = rest.partition("@")
        return protocol, int(number) if number.isdigit() else 0, network, number

    return sorted(set(names), key=place)


def _runs(names: Sequence[str]) -> Iterable[str]:
    """Runs of consecutive numbers; what is the same on several networks is one: `e131/1 to e131/3 on A and B`."""
    networks: dict[tuple[str, int], list[str]] = {}
    for name in names:
        protocol, _, rest = name.partition("/")
        number, _, network = rest.partition("@")
        universe = (protocol, int(number)) if number.isdigit() else (name, -1)
        networks.setdefault(universe, []).append(network)
    kinds: dict[tuple[str, tuple[str, ...]], list[int]] = {}
    for (protocol, place), several in networks.items():
        kinds.setdefault((protocol, tuple(sorted(set(several)))), []).append(place)
    for (protocol, on), numbers in sorted(kinds.items()):
        if numbers == [-1]:
            yield protocol
            continue
        at = f"@{on[0]}" if len(on) == 1 and on[0] else ""
        where = f" on {list_names(on)}" if len(on) > 1 else ""
        for first, last in _spans(sorted(set(numbers))):
            head, tail = f"{protocol}/{first}{at}", f"{protocol}/{last}{at}"
            if first == last:
                yield head + where
            elif last > first + 1:
                yield f"{head} to {tail}{where}"
            elif where:
                yield f"{head} and {tail}{where}"
            else:
                # "4 to 5" is read as more than two.
                yield from (head, tail)


def _spans(numbers: Sequence[int]) -> Iterable[tuple[int, int]]:
    first = last = None
    for number in numbers:
        if last is not None and number == last + 1:
            last = number
            continue
        if first is not None and last is not None:
            yield first, last
        first = last = number
    if first is not None and last is not None:
        yield first, last


def say_power(watts: float) -> str:
    """Write a power for people: `450 W`, `3.2 kW`."""
    return f"{watts / 1000:.1f} kW" if watts >= 1000 else f"{watts:.0f} W"


def clock_was_set(step_ns: int, whose: str = "this computer") -> str:
    """Say in which direction and how far, in whole seconds, a computer's wall clock was set."""
    span_ns = round(abs(step_ns) / NANOSECONDS) * NANOSECONDS
    return f"The clock of {whose} was set {'forward' if step_ns > 0 else 'back'} by {seconds(span_ns)}."
