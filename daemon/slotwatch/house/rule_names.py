"""Names of all rules, so that a house file's exceptions can be checked without the rules themselves."""

from __future__ import annotations

RULE_NAMES = frozenset(
    (
        *("universe-lost", "universe-missing", "source-absent", "backup-absent", "backup-in-control"),
        *("receiver-silent", "slow-refresh", "fast-refresh", "uneven-refresh", "packet-loss", "out-of-order"),
        *("sequence-unusable", "sync-missing", "short-frame", "source-conflict", "unexpected-source"),
        *("backup-differs", "duplicate-identity", "slot-priority-faulty", "preview-only", "wrong-group"),
        *("undeclared-universe", "echoed-universe", "malformed-packets", "too-many-sources", "repeated-packets"),
        *("querier-absent", "link-down", "host-overrun", "join-failed", "patch-conflict", "stray-levels"),
        *("non-dim-partial", "powered-off", "flash-rate", "way-overload", "supply-overload", "route-loop"),
        *("identity-changed", "fallback-address", "querier-changed", "flooded-groups", "duplicate-address"),
        *("skewed-universes", "fine-stuck", "fine-swapped", "torn-pair", "level-stuck", "glare-held"),
        *("control-held", "line-differs", "line-faulty", "line-port-missing", "networks-swapped"),
    )
)

WITHOUT_UNIVERSES = frozenset(
    {"host-overrun", "querier-absent", "querier-changed", "duplicate-address", "fallback-address", "malformed-packets"}
)
"""Rules whose incidents are about this computer, a network or an address: they name no universe."""
