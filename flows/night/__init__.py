"""The flows themselves: night and backfill, their tasks, where tasks run, and what Prefect's pages show.

Imports Prefect; runs in the flow's own process. Writes to the store only through the steps of pipeline/night.
"""
