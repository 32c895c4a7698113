// Made from the rules by `make docs`; do not edit by hand.

/** Rules about this listener and its own network: not the show's faults. */
export const LISTENER_RULES = new Set([
  "host-overrun",
  "join-failed",
  "line-port-missing",
  "link-down",
  "networks-swapped",
  "querier-absent",
]);
