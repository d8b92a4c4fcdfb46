"""Any signals of a vehicle between two times: as a figure, on the terminal, or as a table for other tools.

Start at files.write_signals(). It reads the lake through roles or by names of the DBC, converts nothing that was not
asked for, and writes the one file it is told.
"""
