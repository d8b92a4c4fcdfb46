"""Bus logs in measurement files: `blocks` of the file, `groups` of channels in them, records to frames in `reader`.

`mixed` and `variable` are for the two rarer ways to lay records out. No link of a file is trusted.
"""

from herdbook.decoders.formats.mf4.reader import READER

__all__ = ["READER"]
