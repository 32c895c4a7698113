"""A time that notes when a comparison with it would come out otherwise.

A condition of a rule compares ages with limits: `ctx.now_ns - last_ns > timeout_ns`. While nothing comes, `now_ns`
alone changes, so the answer stays as it is until the first of these ages reaches its limit. A `WatchedTime` takes the
place of `now_ns` and notes that time in its `TimeWatch`. Whatever else is done with it (a division, a text, a maximum)
gives a plain number, and the watch is `opaque`: it does not know for how long the answer holds.
"""

from __future__ import annotations

import math
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NEVER_NS

_STRICT = {np.greater, np.less_equal}
_COMPARISONS = {
    np.greater: np.less,
    np.greater_equal: np.less_equal,
    np.less: np.greater,
    np.less_equal: np.greater_equal,
}
"""Comparisons of an age with a limit, each with the one that says the same from the other side."""


class TimeWatch:
    """The soonest time at which a comparison that was made would come out otherwise. Monotonic nanoseconds."""

    __slots__ = ("all_ends_ns", "next_ns", "now_ns", "opaque", "windows_until_ns")

    def __init__(self, now_ns: int, *, keeps_all: bool = False) -> None:
        """keeps_all: whether not only the soonest time is wanted."""
        self.now_ns = now_ns
        self.next_ns = NEVER_NS
        self.opaque = False
        self.all_ends_ns: set[int] | None = set() if keeps_all else None
        """The times of all comparisons that may come out otherwise, where they are wanted."""
        self.windows_until_ns = NEVER_NS
        """Until when the counts of the last seconds that were read stay as they are, though nothing comes."""

    @property
    def is_untouched(self) -> bool:
        """Whether nothing was compared so far, so that it serves for what is asked next."""
        return self.next_ns == NEVER_NS and self.windows_until_ns == NEVER_NS and not self.opaque

    @property
    def moment(self) -> WatchedTime:
        """The time itself, to be compared with."""
        return _moment(self.now_ns, self)

    @property
    def holds_until_ns(self) -> int:
        """Until when all answers hold: the time itself if that is not known."""
        if self.opaque:
            return self.now_ns
        return self.next_ns if self.next_ns < self.windows_until_ns else self.windows_until_ns

    def note(self, left: float, *, strict: bool) -> None:
        """Note a comparison: `left` is how much an age is under its limit; strict: it has to be over it."""
        left_ns = math.floor(left) + 1 if strict else math.ceil(left)
        if left_ns > 0:
            self.next_ns = min(self.next_ns, self.now_ns + left_ns)
            if self.all_ends_ns is not None:
                self.all_ends_ns.add(self.now_ns + left_ns)

    def note_all(self, left: NDArray[Any], *, strict: bool) -> None:
        """Note a comparison of many ages at once."""
        ahead = left[left >= 0] if strict else left[left > 0]
        if not ahead.size:
            return
        for one in [ahead.min()] if self.all_ends_ns is None else np.unique(ahead).tolist():
            self.note(one, strict=strict)


class Timed(Protocol):
    """What holds the time of a pass twice: as it is compared with, and as a plain number."""

    now_ns: int
    at_ns: int


class Watching:
    """Has a pass compare with a watched time meanwhile: `with Watching(ctx) as watch`."""

    __slots__ = ("_ctx", "_keeps_all")

    def __init__(self, ctx: Timed, *, keeps_all: bool = False) -> None:
        """keeps_all: whether all times are wanted at which a comparison comes out otherwise."""
        self._ctx, self._keeps_all = ctx, keeps_all

    def __enter__(self) -> TimeWatch:
        watch = TimeWatch(self._ctx.at_ns, keeps_all=self._keeps_all)
        self._ctx.now_ns = watch.moment
        return watch

    def __exit__(self, *_: object) -> None:
        self._ctx.now_ns = self._ctx.at_ns


def _moment(value: int, watch: TimeWatch) -> WatchedTime:
    moment = WatchedTime(value)
    moment.watch = watch
    return moment


class WatchedTime(int):
    """`now_ns`, or `now_ns` less something that does not change: it grows as time does."""

    watch: TimeWatch

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, **options: Any) -> Any:
        return _apply(self.watch, ufunc, method, inputs, options)

    def __sub__(self, other: Any) -> Any:
        if type(other) is int:
            return _moment(int.__sub__(self, other), self.watch)
        if type(other) is np.ndarray and other.dtype == np.int64:
            # An array's own operation would ask this object what to do.
            ages = np.subtract(int.__add__(self, 0), other).view(WatchedAges)
            ages.watch = self.watch
            return ages
        if isinstance(other, np.ndarray | np.generic):
            return _apply(self.watch, np.subtract, "__call__", (self, other), {})
        if isinstance(other, WatchedTime) and other.watch is not self.watch:
            # One that was kept from an earlier pass does not grow.
            return _moment(int.__sub__(self, _plain(other)), self.watch)
        return self._give_up().__sub__(_plain(other))

    def __lt__(self, other: Any) -> Any:
        return self._compare(np.less, other)

    def __le__(self, other: Any) -> Any:
        return self._compare(np.less_equal, other)

    def __gt__(self, other: Any) -> Any:
        return self._compare(np.greater, other)

    def __ge__(self, other: Any) -> Any:
        return self._compare(np.greater_equal, other)

    def _compare(self, ufunc: np.ufunc, other: Any) -> Any:
        if isinstance(other, np.ndarray | np.generic):
            return _apply(self.watch, ufunc, "__call__", (self, other), {})
        if isinstance(other, WatchedTime) and other.watch is self.watch:
            self.watch.opaque = True
        value, limit = _plain(self), _plain(other)
        if limit != math.inf:
            self.watch.note(limit - value, strict=ufunc in _STRICT)
        return bool(ufunc(value, limit))

    def _give_up(self) -> int:
        self.watch.opaque = True
        return int.__add__(self, 0)


def _plain(value: Any) -> Any:
    return int.__add__(value, 0) if isinstance(value, WatchedTime) else value


def _given_up(name: str) -> Any:
    def method(self: WatchedTime, *others: Any) -> Any:
        return getattr(self._give_up(), name)(*map(_plain, others))

    return method


for _name in (
    *("__add__", "__radd__", "__rsub__", "__mul__", "__rmul__", "__truediv__", "__rtruediv__", "__floordiv__"),
    *("__rfloordiv__", "__mod__", "__rmod__", "__divmod__", "__rdivmod__", "__neg__", "__abs__", "__int__"),
    *("__float__", "__str__", "__repr__", "__format__", "__round__", "__and__", "__or__", "__rshift__", "__lshift__"),
):
    setattr(WatchedTime, _name, _given_up(_name))


class WatchedAges(np.ndarray):
    """Many ages at one moment: an array of which each number grows as time does."""

    watch: TimeWatch | None = None

    def __array_finalize__(self, made_from: Any) -> None:
        self.watch = getattr(made_from, "watch", None)

    def __getitem__(self, key: Any) -> Any:
        found = super().__getitem__(key)
        if not isinstance(found, np.ndarray) and self.watch is not None:
            self.watch.opaque = True
        return found

    def tolist(self) -> Any:
        """Give up: numbers of their own are not watched."""
        if self.watch is not None:
            self.watch.opaque = True
        return super().tolist()

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, **options: Any) -> Any:
        watch = self.watch or next(one.watch for one in inputs if getattr(one, "watch", None) is not None)
        return _apply(watch, ufunc, method, inputs, options)

    def __array_function__(self, function: Any, types: Any, args: Any, options: Any) -> Any:
        if self.watch is not None:
            self.watch.opaque = True
        return function(*_bare(args), **_bare(options))


def _bare(value: Any) -> Any:
    """The same without anything that watches."""
    if isinstance(value, WatchedAges):
        return value.view(np.ndarray)
    if isinstance(value, tuple | list):
        return type(value)(_bare(one) for one in value)
    if isinstance(value, dict):
        return {name: _bare(one) for name, one in value.items()}
    return _plain(value)


def _bare_number(value: Any) -> Any:
    """One operand without anything that watches; a whole number as wide as times are."""
    if type(value) is WatchedAges:
        return value.view(np.ndarray)
    value = _bare(value)
    return np.int64(value) if type(value) is int else value


def _apply(watch: TimeWatch, ufunc: np.ufunc, method: str, inputs: tuple[Any, ...], options: dict[str, Any]) -> Any:
    """Work out one array operation in which a time or ages take part, and note when it would come out otherwise."""
    bare = [one if type(one) is np.ndarray else _bare_number(one) for one in inputs]
    operation: Any = ufunc
    if method != "__call__" or len(inputs) != 2:
        watch.opaque = True
        return getattr(operation, method)(*bare, **_bare(options))
    grows = [isinstance(one, WatchedTime | WatchedAges) for one in inputs]
    if all(grows) or (ufunc not in _COMPARISONS and not (ufunc is np.subtract and grows[0] and not options)):
        watch.opaque = True
        return operation(*bare, **_bare(options))
    found = operation(*bare, **_bare(options))
    if ufunc is np.subtract:
        ages = np.asarray(found).view(WatchedAges)
        ages.watch = watch
        return ages
    comparison = ufunc if grows[0] else _COMPARISONS[ufunc]
    age, limit = (bare[0], bare[1]) if grows[0] else (bare[1], bare[0])
    watch.note_all(np.asarray(limit - age), strict=comparison in _STRICT)
    return found
