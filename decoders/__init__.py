"""CAN logs to columns: bytes in, physical values out, no vehicle knowledge. Start at decode_log().

network = Network.load("board.dbc")             # or pairs (channel label, path)
tables = decode_log("ride.log", network)        # {"BMS_Pack": polars.DataFrame, ...}
log = open_log("ride.blf")                      # any size, in pieces: log.chunks(), then log.losses
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.decoders.dbc.messages import Message, Signal
from herdbook.decoders.dbc.network import Network
from herdbook.decoders.decoding.decode import Decoder, Tally, decode, decode_batches
from herdbook.decoders.errors import DecoderError, LogFormatError, NetworkError, UnknownLogError
from herdbook.decoders.frames import Frames, join_frames
from herdbook.decoders.log import Log, open_log, read_frames
from herdbook.decoders.reading.reader import Loss

if TYPE_CHECKING:
    import polars as pl


def decode_log(path: str | Path, network: Network) -> dict[str, pl.DataFrame]:
    """One table a message name seen in the log: `t`, then a column a signal in DBC units."""
    decoder = Decoder(network)
    for frames in open_log(path).chunks():
        decoder.add(frames)
    decoder.close()
    return decoder.tables()


__all__ = [
    "Decoder",
    "DecoderError",
    "Frames",
    "Log",
    "LogFormatError",
    "Loss",
    "Message",
    "Network",
    "NetworkError",
    "Signal",
    "Tally",
    "UnknownLogError",
    "decode",
    "decode_batches",
    "decode_log",
    "join_frames",
    "open_log",
    "read_frames",
]
