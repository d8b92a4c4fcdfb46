"""Herdbook: CAN logs of a fleet of light electric vehicles, turned into answers with evidence.

herdbook.decoders: bytes to columns. herdbook.pipeline: columns to answers. herdbook.flows: the night under Prefect.
"""

from importlib.metadata import PackageNotFoundError, version

__all__ = ["__version__"]

try:
    __version__ = version("herdbook")
except PackageNotFoundError:  # run from a folder that was never installed
    __version__ = "0"
