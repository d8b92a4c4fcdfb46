"""Text logs of the .asc kind: `reader` takes any line word by word, `aligned` those laid out alike, much faster.

Whatever `aligned` cannot take it leaves to the other, so that both give the same frames and losses.
"""

from herdbook.decoders.formats.asc.reader import READER

__all__ = ["READER"]
