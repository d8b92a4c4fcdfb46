"""Comma-separated logs: python-can is the writer and the reader that ours is held against."""

from tests.decoders.trial import Trial, python_cans

HEAD = b"timestamp,arbitration_id,extended,remote,error,dlc,data\n1.0,0x1,0,0,0,1,AQ==\n"
TRIAL = Trial(
    suffix="csv",
    shape="text",
    peer=python_cans(),
    holds=("data", "remote", "error"),
    channels=False,
    last_lines=((HEAD, b"2.0,0x1,0,0,0,1,AQ==", True), (HEAD, b"2.0,0x1,0,0,0,1,AQ=", False)),
)
