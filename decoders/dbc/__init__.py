"""DBC files: what each message and signal is, and which message a frame belongs to.

Parses with cantools and judges what is sound; touches no frame's data, which is decoding's.
"""
