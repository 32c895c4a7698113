"""The routes process: frames that this computer sends because a house file says so."""
