"""Studies of the line itself: repeatability of its tests, control charts, capability.

It reads birth figures from the store and changes nothing."""
