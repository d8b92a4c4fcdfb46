"""A bus while it runs: recorded to log files, decoded and watched; a log played back for tests and training.

Listening sends nothing. It may touch a CAN interface and the log files it writes, and no store."""
