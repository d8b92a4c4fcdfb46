"""Frames to columns: rows grouped by message, then every signal of a message extracted at once.

Pure arithmetic over a network and frames; reads no file, and makes polars frames only at the very end.
"""
