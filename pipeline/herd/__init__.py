"""Questions about the herd as a whole, answered from the published catalogue: what a night operator asks first.

One question a module, each with one function that takes an open catalogue and returns plain records; pages and the
command line show them. Nothing here writes.
"""
