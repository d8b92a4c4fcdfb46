"""What every log format stands on: the bytes of a file, rows to fill, and the Reader that a format hands in.

Knows no format, so that a format may import it; the formats are in herdbook.decoders.formats.
"""
