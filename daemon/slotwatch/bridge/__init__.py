"""Pure routing: who wins, what is sent, and when."""
