"""The verbs that need Prefect, one a module like those in pipeline/commands: night, serve, backfill.

Import neither Prefect nor anything heavy before a verb runs; without Prefect they name the extra that brings it.
"""
