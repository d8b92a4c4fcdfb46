"""The night under Prefect: scheduled, watched, retried, on one machine or a cluster; finished without it when it fails.

It only wraps: what a night does stands in pipeline/night. The one room that knows Prefect, imported when a night
runs and not when the command starts. May import everything of pipeline.
"""
