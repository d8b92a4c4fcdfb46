"""A maker's test plan held against a unit's logs: pass, fail or not decided, with guard bands; birth figures.

It may read logs and the store, and writes what a unit was at birth."""
