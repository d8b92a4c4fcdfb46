"""The lake: parts, the columnar files that logs become, in a folder or on object storage, and how they are read back.

It knows profiles and roles (vehicle/) and nothing of the catalogue but what a caller's connection gives it; whoever
writes here writes whole files or none.
"""
