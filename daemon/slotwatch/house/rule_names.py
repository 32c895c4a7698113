"""Names of all rules, so that a house file is checked without the rules themselves.

Made from the rules by `make docs`; do not edit by hand.
"""

from __future__ import annotations

RULE_NAMES = frozenset(
    (
        "backup-absent",
        "backup-differs",
        "backup-in-control",
        "control-held",
        "duplicate-address",
        "duplicate-identity",
        "echoed-universe",
        "fallback-address",
        "fast-refresh",
        "fine-stuck",
        "fine-swapped",
        "flash-rate",
        "flooded-groups",
        "glare-held",
        "host-overrun",
        "identity-changed",
        "join-failed",
        "level-stuck",
        "lights-left-on",
        "line-differs",
        "line-faulty",
        "line-port-missing",
        "link-down",
        "listener-silent",
        "loss-between",
        "lost-between",
        "malformed-packets",
        "networks-swapped",
        "non-dim-partial",
        "out-of-order",
        "packet-loss",
        "patch-conflict",
        "powered-off",
        "preview-only",
        "querier-absent",
        "querier-changed",
        "receiver-silent",
        "repeated-packets",
        "route-loop",
        "sequence-unusable",
        "short-frame",
        "skewed-universes",
        "slot-priority-faulty",
        "slow-refresh",
        "source-absent",
        "source-conflict",
        "stray-levels",
        "supply-overload",
        "sync-missing",
        "too-many-sources",
        "torn-pair",
        "undeclared-universe",
        "uneven-refresh",
        "unexpected-source",
        "universe-lost",
        "universe-missing",
        "way-overload",
        "wrong-group",
    )
)

WITHOUT_UNIVERSES = frozenset(
    (
        "duplicate-address",
        "fallback-address",
        "host-overrun",
        "listener-silent",
        "malformed-packets",
        "querier-absent",
        "querier-changed",
    )
)
"""Rules whose incidents are about this computer, a network or an address: they name no universe."""
