"""Until when looks of a rule change nothing while nothing but time changes. Times are monotonic nanoseconds."""

from __future__ import annotations

from slotwatch.durations import NANOSECONDS, NEVER_NS
from slotwatch.judge.binding import KEYS
from slotwatch.judge.context import RuleContext
from slotwatch.judge.raised import Raised
from slotwatch.judge.rule_state import OVER_NS, RuleState
from slotwatch.watched_time import Watching


def holds_until_ns(state: RuleState, ctx: RuleContext) -> int:
    """Until when looks change nothing if nothing comes; the pass's own time where that is not known.

    The state keeps it as `quiet_until_ns`.
    """
    last = state.last_answer
    if not (state.pending or state.raised or state.has_visited) and state.is_never_wary and last.holds(ctx):
        state.quiet_until_ns = last.until_ns if last.until_ns > state.looks.due_ns else state.looks.due_ns
    else:
        state.quiet_until_ns = _next_end_ns(state, ctx)
    return state.quiet_until_ns


def ends_at_rest_ns(state: RuleState, ctx: RuleContext) -> set[int] | None:
    """All times at which its answer may be another one if nothing comes; None where they are not known."""
    binding = state.binding
    if (
        state.pending
        or state.has_visited
        or any(not one.holds or binding.refresh_s is not None for one in state.raised.values())
    ):
        return None
    with Watching(ctx, keeps_all=True) as watch:
        binding.condition(ctx)
        is_wary = binding.is_wary is not None and binding.is_wary(ctx)
    return None if is_wary or watch.opaque else watch.all_ends_ns


def _next_end_ns(state: RuleState, ctx: RuleContext) -> int:
    if ctx.revision is None or state.has_visited:
        return ctx.now_ns
    binding, last = state.binding, state.last_answer
    if state.is_undecided:
        return max(ctx.now_ns, state.looks.due_ns)
    is_idle = not state.pending and not state.raised and state.is_never_wary
    # That it finds nothing when it is due can be known now.
    if not last.holds(ctx) and (not is_idle or last.finds_any(ctx)):
        return max(ctx.now_ns, state.looks.due_ns)
    if is_idle:
        return max(last.until_ns, state.looks.due_ns)
    ends_ns = [since_ns + state.on_delay_ns for since_ns in state.pending.values()]
    # An on-delay does not run while this computer does not listen.
    stalled = state.pending and min(state.pending.values()) < ctx.listener.stalled_last_ns
    if ends_ns and (stalled or min(ends_ns) <= state.looks.last_look_ns):
        return ctx.now_ns
    ends_ns.append(last.until_ns)
    if binding.blind_window_s and ctx.listener.marked_until_ns:
        ends_ns.append(ctx.listener.marked_until_ns + int(binding.blind_window_s * NANOSECONDS))
    # Rows that stay the same are compared, and nothing more, until a refresh is due.
    is_compared = binding.over != KEYS and not state.pending
    is_compared = is_compared and all(one.holds and not one.is_unheard for one in state.raised.values())
    compared_until_ns = state.refresh_due_ns if is_compared else 0
    for raised in state.raised.values():
        if not raised.holds:
            if binding.may_return_soon is not None and ctx.now_ns - raised.missed_ns >= state.off_delay_ns:
                return ctx.now_ns
            ends_ns += _ends_of_a_case_over_ns(state, raised)
            continue
        if binding.refresh_s is not None:
            stale_ns = raised.described_ns + state.refresh_ns
            ends_ns.append(max(stale_ns, compared_until_ns))
            if binding.over != KEYS:
                # What was stale in a look that compared nothing is described in the next one that does.
                ends_ns.append(max(stale_ns, state.refresh_due_ns))
        if state.is_of_absence:
            ends_ns += [ctx.listener.can_tell_from_ns(one) for one in raised.finding.networks]
    if binding.is_wary is not None:
        with Watching(ctx) as watch:
            is_wary = binding.is_wary(ctx)
        # Wary, it wants passes to be close; while nothing that it keeps changes with each, they change nothing.
        if (is_wary and last.keeps_looks and not binding.keeps_last_look) or watch.opaque:
            return ctx.now_ns
        ends_ns.append(watch.holds_until_ns)
    # What ends since the last look is seen in the next one.
    return min(
        (max(end_ns, state.looks.due_ns) for end_ns in ends_ns if end_ns > state.looks.last_look_ns), default=NEVER_NS
    )


def _ends_of_a_case_over_ns(state: RuleState, raised: Raised) -> list[int]:
    """When something is due of a case whose condition holds no longer."""
    ends_ns = [raised.missed_ns + off_ns for off_ns in (state.off_delay_ns, state.flapping.off_ns)]
    if not raised.over:
        ends_ns.append(raised.last_true_ns + OVER_NS)
    return [*ends_ns, raised.edges[-1] + state.flapping.ends_after_ns]
