"""One scan from the inbox to publication, and what it tells: the change list, silence, mutes, the night's one message.

The steps stand once (steps.py); how they run is a Runner's choice: here in worker processes, in flows as Prefect tasks.
May touch: the store, its lake, worker processes, addresses to notify. Knows no page, no terminal, no Prefect.
"""
