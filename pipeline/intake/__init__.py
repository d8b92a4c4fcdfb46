"""Intake: one log becomes one part and its rows in the ledger, or goes to quarantine with the reason.

take_log() works anywhere and writes into the lake alone; ledger.commit() is the one place that enters logs into the
catalogue. Clocks and names are recorded and doubted here, never mended.
"""
