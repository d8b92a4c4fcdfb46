"""Pages of the bench: certificate of a unit, maps, coast-down, cell tests, studies of the line."""
