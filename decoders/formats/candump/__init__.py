from herdbook.decoders.formats.candump.reader import READER

__all__ = ["READER"]
