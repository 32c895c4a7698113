"""The only place that touches the world: sockets, files, serial ports, HTTP, clocks. Decides nothing."""
