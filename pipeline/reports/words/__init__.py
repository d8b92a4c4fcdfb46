"""Numbers, times, names and cautions as people read them: units, plurals, zones, plain words for rules and roles.

Pure functions from values to text; the lowest room of the reports. It may read the names that metric sets and roles
give themselves, and nothing else.
"""
