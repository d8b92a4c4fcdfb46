from herdbook.decoders.formats.db.reader import READER

__all__ = ["READER"]
