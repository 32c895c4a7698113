"""Black-box checks of what the program promises outside, written from that promise alone."""
