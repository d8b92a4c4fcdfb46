"""A profile to start from: which signal of a DBC file plays which role, by name, unit, range, words and comment.

Pure: messages in, guesses and TOML out. Every guess says how sure it is; below CERTAIN it is left commented out.
"""
