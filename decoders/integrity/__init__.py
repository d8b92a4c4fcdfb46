"""How well a log's messages kept what their DBC promises: cycles, counters, checksums, and the load of the bus.

Counts over frames in time order, batch by batch; what a count means for a vehicle is said elsewhere.
"""
