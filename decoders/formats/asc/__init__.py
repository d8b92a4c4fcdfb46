from herdbook.decoders.formats.asc.reader import READER

__all__ = ["READER"]
