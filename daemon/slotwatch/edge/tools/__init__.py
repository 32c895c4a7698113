"""What runs outside the daemon: captures, survey, rehearsal, the look at this computer."""
