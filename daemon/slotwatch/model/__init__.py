"""Pure state over time, kept as arrays: streams, sources, cadence, levels, who is in control."""
