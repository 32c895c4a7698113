"""DMX512 lines on serial ports: those that are sent, and those that are tapped."""
