"""The service book: what people did with a vehicle and found on it, beside what its buses said.

It may write its own table and read the record; it judges nothing and opens no part.
"""
