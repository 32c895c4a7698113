"""Pure declared world: what the house file and the paperwork say should be there."""
