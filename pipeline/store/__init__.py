"""The store: one folder with catalogue, lake, settings and pages; its schema, short transactions and publication.

It may touch everything in that folder, and is the only room that opens the catalogue. What the rows mean is for the
rooms above, whose statements lie in their own sql/ folders.
"""
