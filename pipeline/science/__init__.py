"""The formulas: steps, slopes, open-circuit curves, heat, rainflow counts, why a brake may give less.

Pure functions of arrays: no file, no clock, no setting, no profile; each docstring gives units, errors and its source.
It imports nothing of ours but the names of array types.
"""
