"""The bench: what is tried and measured on one unit by hand, from the prototype to the end of the line.

It uses the same decoders, roles, metrics and rules as the fleet; it may touch the store, and draws no page."""
