"""The judging process: rows of the ring into the engine, and what it hears other than packets."""
