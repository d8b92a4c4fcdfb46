"""Processes around a flow: a local Prefect server, the process that runs a flow, the one that keeps the schedule.

May touch processes, ports of the loopback and STORE/night (logs, Prefect's database); never the catalogue or the lake.
"""
