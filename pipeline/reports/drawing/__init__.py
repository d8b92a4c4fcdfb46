"""Signals and session figures as drawings: thinned with every spike kept, in panels, maps and dots over time.

Gives specifications that `page` puts on paper. It may read the lake for the samples of a stretch of time and one
vehicle's facts, and writes nothing.
"""
