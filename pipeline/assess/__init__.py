"""Assess: from a vehicle's logs in the lake to sessions, metrics, findings and scores in the catalogue. plan() reads
what is known, assess() works out what is new (pure of the catalogue, in any process), commit_assessed() writes it,
whole or not at all. It may import everything up to health; who calls it, and when, is the night's business.
"""
