"""Upkeep of a store between nights: parts merged by month, old rows let go, damaged parts found and rebuilt.

It may delete and replace parts, under the store's lock and after their grace; what was found in them stays.
"""
