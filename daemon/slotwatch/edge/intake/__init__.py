"""The intake process: sockets into the ring, memberships of groups."""
