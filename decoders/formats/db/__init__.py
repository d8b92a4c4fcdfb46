"""Database logs: `reader` makes frames of rows, `rows` gets them out of a file that may be damaged or cut short.

SQLite itself finds the rows; nothing of a damaged file is guessed.
"""

from herdbook.decoders.formats.db.reader import READER

__all__ = ["READER"]
