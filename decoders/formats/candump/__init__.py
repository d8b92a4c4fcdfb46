"""Text logs in the candump -L form: `aligned` for blocks of lines laid out alike, `reader` for all others.

A block that is not wholly alike goes to `reader`, so that both give the same frames and losses.
"""

from herdbook.decoders.formats.candump.reader import READER

__all__ = ["READER"]
