"""Pure diagnosis: rules, causes and the life of an incident."""
