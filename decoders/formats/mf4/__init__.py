from herdbook.decoders.formats.mf4.reader import READER

__all__ = ["READER"]
