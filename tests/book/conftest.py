from tests.book.rows import a_store

__all__ = ["a_store"]
