"""Text logs read all lines at once: words and numbers out of a block of text with array arithmetic.

Knows nothing of files, frames or formats.
"""
