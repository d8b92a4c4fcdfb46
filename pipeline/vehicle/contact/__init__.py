"""A profile held against data: does what its roles say agree with physics and with each other?

Pure: views of logs in, checked statements out. checks/ holds the tests, one file a subject; the folder is the registry.
"""
