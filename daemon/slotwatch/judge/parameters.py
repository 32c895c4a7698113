"""The numbers of a rule, each with its unit and its source, and the facts that its sentence is filled with."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import TypeVar

COMMON_PRACTICE = "common practice, no source"

P = TypeVar("P", bound="RuleParameters")
NumberT = TypeVar("NumberT", int, float)


@dataclass(frozen=True, slots=True)
class Threshold:
    """One number a rule compares with, with its unit and where it comes from."""

    name: str
    """With its unit in it: `gap_ms`, `loss_ratio`."""
    value: float
    text: str
    source: str = COMMON_PRACTICE
    """Clause of a standard, or "common practice, no source"."""


def number(default: NumberT, text: str, source: str = COMMON_PRACTICE) -> NumberT:
    """Declare one parameter of a rule: its value, what it means, and where it comes from.

    The parameter's name ends in its unit (`_s`, `_ms`, `_hz`, `_ratio`, `_percent`); a count has none.
    """
    declared: NumberT = field(default=default, metadata={"text": text, "source": source})
    return declared


@dataclass(frozen=True, slots=True)
class RuleParameters:
    """Every number of one rule. Its condition, its delays, its windows and its documentation read nothing else."""

    on_delay_s: float = number(0.0, "time that its condition must hold before the incident opens")
    off_delay_s: float = number(10.0, "time that its condition must be gone before the incident closes")

    def by_name(self) -> dict[str, object]:
        """Give each parameter's value: what a sentence may use."""
        return {name: getattr(self, name) for name in _names(type(self))}

    def rows(self) -> tuple[Threshold, ...]:
        """Give all parameters for the documents, the two delays first."""
        return tuple(
            Threshold(one.name, float(getattr(self, one.name)), one.metadata["text"], one.metadata["source"])
            for one in fields(self)
        )


@dataclass(frozen=True, slots=True)
class Facts:
    """What one case puts into its rule's sentence. A rule with placeholders of its own has a subclass: a field each."""

    def words(self) -> dict[str, object]:
        """Give what each placeholder is filled with."""
        return {name: getattr(self, name) for name in _names(type(self))}


_NAMES: dict[type, tuple[str, ...]] = {}


def _names(kind: type[RuleParameters | Facts]) -> tuple[str, ...]:
    """Names of the fields of one of these classes, found once: incidents are put into words with each look."""
    names = _NAMES.get(kind)
    if names is None:
        names = _NAMES[kind] = tuple(one.name for one in fields(kind))
    return names


NO_FACTS = Facts()
