"""The lines of a history, one section a file: each gives Statements and what each of them rests on.

It may read one vehicle's facts and the record made from them, as its HistoryContext holds them; nothing here asks the
catalogue or the lake.
"""
