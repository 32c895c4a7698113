"""The rules, one module each. A module's name is its rule's, and its `RULE` holds all of it."""
