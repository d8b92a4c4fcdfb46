"""Rules and metrics that somebody adds to a store without touching Herdbook: found, loaded, kept to a form, tried.

Their files are code that runs. It runs only where a store's settings name it ([own]), and only to assess and to list.
"""
