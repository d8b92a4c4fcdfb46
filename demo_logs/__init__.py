"""Logs of an invented fleet: the simulator that writes them, and the evaluation that knows what
was wrong. Not distributed."""
