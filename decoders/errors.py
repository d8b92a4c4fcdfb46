"""What can go wrong between bytes and columns; every message says where, what, and what to do.

DecoderError
|-- LogFormatError      a log breaks its own format beyond use
|-- UnknownLogError     no reader recognises the file
`-- NetworkError        a DBC file does not load, or two of them contradict each other
"""


class DecoderError(Exception):
    """Root of the errors a user can cause with a log or a DBC file."""


class LogFormatError(DecoderError):
    """A log file breaks its own format so early or so badly that nothing can be read."""


class UnknownLogError(DecoderError):
    """No reader recognises the file by its content."""


class NetworkError(DecoderError):
    """A DBC file that does not load, or a set of them that cannot describe one vehicle.

    lenient_helps: True when the same file has been seen to load with lenient=True.
    """

    def __init__(self, said: str, lenient_helps: bool = False) -> None:
        super().__init__(said)
        self.lenient_helps = lenient_helps
